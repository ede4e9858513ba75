"""Passwords: argon2id, and never more of it at once than the machine can bear."""

from __future__ import annotations

import threading
from typing import Final

from argon2 import PasswordHasher, Type
from argon2.exceptions import InvalidHashError, VerificationError

__all__ = ["LEAST_CHARACTERS", "hash_password", "password_holds", "password_weak"]

LEAST_CHARACTERS: Final = 10
_MOST_CHARACTERS: Final = 1_000

# 64 MiB, 3 passes, 4 lanes: the second recommendation of RFC 9106, 4.
_HASHER: Final = PasswordHasher(time_cost=3, memory_cost=65_536, parallelism=4, type=Type.ID)
_AT_ONCE: Final = threading.BoundedSemaphore(2)


def password_weak(password: str, *, name: str) -> bool:
    """Tell whether a password is too short, too long or the person's name."""
    plain = password.strip().casefold()
    return not LEAST_CHARACTERS <= len(password) <= _MOST_CHARACTERS or plain == name.casefold()


def hash_password(password: str) -> str:
    """Hash a password with argon2id and random salt, giving text that names its parameters."""
    with _AT_ONCE:
        return _HASHER.hash(password)


def password_holds(password: str, hashed: str | None) -> bool:
    """Tell whether a password is the one hashed; without a hash as much work is done and False."""
    if len(password) > _MOST_CHARACTERS:
        return False
    with _AT_ONCE:
        if hashed is None:
            _HASHER.hash(password)
            return False
        try:
            return _HASHER.verify(hashed, password)
        except (VerificationError, InvalidHashError):
            return False
