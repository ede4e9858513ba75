"""A program that receives files and is killed: it imports first, then forks for each command."""

from __future__ import annotations

import os
import signal
import sys
import time

import arraywright.procedures.receive
from arraywright.cli.main import cli
from arraywright.readers.delimited import decode_text, text_sheets

__all__ = ["serve"]

_POLL_S = 0.001


def _wait(child: int, seconds: float) -> int:
    """Wait for a child and kill it when its time is over; give its exit code."""
    deadline = time.monotonic() + seconds
    while time.monotonic() < deadline:
        ended, status = os.waitpid(child, os.WNOHANG)
        if ended:
            return os.waitstatus_to_exitcode(status)
        time.sleep(_POLL_S)
    os.kill(child, signal.SIGKILL)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])


def serve() -> None:
    """Run each line that comes in, seconds and words tab by tab, as a command in its own fork.

    Everything is imported and the compiled scanner is loaded, but no thread has been started: a
    fork begins where a command does whose imports are done.
    """
    assert arraywright.procedures.receive.__name__ in sys.modules
    assert text_sheets(decode_text(b"a,b\n1,2\n", name="warm-up"), name="warm-up")
    for line in sys.stdin:
        seconds, *words = line.rstrip("\n").split("\t")
        began = time.perf_counter()
        child = os.fork()
        if child == 0:
            quiet = os.open(os.devnull, os.O_WRONLY)
            os.dup2(quiet, 1)
            os.dup2(quiet, 2)
            cli(words, prog_name="arraywright")
        code = _wait(child, float(seconds))
        print(code, time.perf_counter() - began, flush=True)


if __name__ == "__main__":
    serve()
