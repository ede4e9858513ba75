"""What was worked out once need not be worked out again when the very same is asked."""

from __future__ import annotations

import hashlib
import pickle
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import ParamSpec, TypeVar, cast

__all__ = ["Remembered"]

_Asked = ParamSpec("_Asked")
_Told = TypeVar("_Told")


@dataclass(frozen=True, slots=True, kw_only=True)
class Remembered:
    """Results of long work by function and arguments, for the length of one command.

    Only for functions whose result follows from their arguments alone. Arguments count as the same
    when their bytes are the same, so that a changed number is never answered with an old result.

    Attributes:
        held: results by digest.
    """

    held: dict[bytes, object] = field(default_factory=dict)

    def ask(
        self, work: Callable[_Asked, _Told], *args: _Asked.args, **given: _Asked.kwargs
    ) -> _Told:
        """Give what ``work`` gives for these arguments."""
        name = f"{work.__module__}.{work.__qualname__}"
        asked = hashlib.sha256(pickle.dumps((name, args, given))).digest()
        if asked not in self.held:
            self.held[asked] = work(*args, **given)
        return cast("_Told", self.held[asked])
