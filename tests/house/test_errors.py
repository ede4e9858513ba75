"""The one error shape."""

from arraywright.errors import CallError, MachineError


def test_errors_are_also_builtins_and_carry_a_remedy() -> None:
    """Callers may catch the builtin, and people get code, message and remedy."""
    error = CallError("bad-call", "Found 3, required 4.", "Give four.")
    assert isinstance(error, ValueError)
    assert error.as_dict() == {
        "code": "bad-call",
        "message": "Found 3, required 4.",
        "remedy": "Give four.",
    }
    assert MachineError("disk-full", "m", "r").exit_code == 3
