"""Who signs: the key of this device, kept outside the site folder."""

from __future__ import annotations

import contextlib
import os
import re
import stat
import tempfile
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import Final

import platformdirs
from cryptography.exceptions import InvalidSignature, UnsupportedAlgorithm
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey
from cryptography.hazmat.primitives.serialization import (
    Encoding,
    NoEncryption,
    PrivateFormat,
    load_pem_private_key,
)

from arraywright.errors import CallError, MachineError, RecordError

__all__ = ["HOME_VARIABLE", "DeviceIdentity", "home_folder", "signature_holds"]

HOME_VARIABLE: Final = "ARRAYWRIGHT_HOME"
"""Environment variable that says where this device's key is kept."""

_NAME: Final = re.compile(r"[a-z0-9][a-z0-9_-]{0,63}")


def home_folder() -> Path:
    """Give the folder of this device's own data: ``ARRAYWRIGHT_HOME``, else the user's."""
    chosen = os.environ.get(HOME_VARIABLE, "")
    return Path(chosen) if chosen else Path(platformdirs.user_data_dir("arraywright"))


@dataclass(frozen=True, slots=True, kw_only=True)
class DeviceIdentity:
    """The key with which this device signs its entries.

    Attributes:
        device: device id, the raw Ed25519 public key as 64 lower-case hexadecimal digits. It is
            the key itself, so an entry verifies without anything else being known.
        label: words by which people know the device; told in its first entry.
    """

    device: str
    label: str
    _key: Ed25519PrivateKey = field(repr=False, compare=False)

    @classmethod
    def from_seed(cls, seed: bytes, *, label: str = "") -> DeviceIdentity:
        """Make an identity from a 32-byte Ed25519 seed.

        Raises:
            CallError: the seed is not 32 bytes.

        Source: rfc-8032 5.1.5
        """
        if len(seed) != 32:
            raise CallError(
                "seed-length", f"Found a seed of {len(seed)} bytes.", "Give 32 random bytes."
            )
        return cls._from_key(Ed25519PrivateKey.from_private_bytes(seed), label)

    @classmethod
    def _from_key(cls, key: Ed25519PrivateKey, label: str) -> DeviceIdentity:
        return cls(device=key.public_key().public_bytes_raw().hex(), label=label, _key=key)

    @classmethod
    def load_or_create(
        cls, *, home: Path | None = None, name: str = "device", label: str = ""
    ) -> DeviceIdentity:
        """Load this device's key, or make it when there is none yet.

        The key lies in ``<home>/devices/<name>.pem``, readable by its owner only. Two programs
        that make it at the same moment end up with the same key.

        Args:
            home: folder of this device's own data; ``home_folder()`` when None.
            name: name of the key, for a machine that keeps several.
            label: words by which people know the device.

        Raises:
            CallError: the name is no plain key.
            MachineError: the file cannot be read or written, or others may read it.
            RecordError: the file holds no Ed25519 key.
        """
        if not _NAME.fullmatch(name):
            raise CallError(
                "key-name",
                f"Found {name!r} as the name of a key.",
                "Use lower-case letters, digits, hyphen and underscore.",
            )
        path = (home_folder() if home is None else home) / "devices" / f"{name}.pem"
        try:
            if not path.exists():
                _write_new_key(path)
            return cls._from_key(_read_key(path), label)
        except OSError as error:
            if isinstance(error, MachineError):
                raise
            raise MachineError(
                "key-file-not-usable",
                f"The device's key {path} cannot be read or written: {error.strerror or error}.",
                f"Make its folder writable, or name another in {HOME_VARIABLE}.",
            ) from error

    def sign(self, entry_hash: bytes) -> bytes:
        """Sign the 32 bytes of an entry hash, giving 64 bytes.

        Source: rfc-8032 5.1.6
        """
        return self._key.sign(entry_hash)


def _write_new_key(path: Path) -> None:
    path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    pem = Ed25519PrivateKey.generate().private_bytes(
        Encoding.PEM, PrivateFormat.PKCS8, NoEncryption()
    )
    handle, temporary = tempfile.mkstemp(prefix=".new-", dir=path.parent)  # made with mode 0600
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(pem)
            file.flush()
            os.fsync(file.fileno())
        # A link never replaces: whoever comes second finds the first one's key.
        with contextlib.suppress(FileExistsError):
            path.hardlink_to(temporary)
    finally:
        Path(temporary).unlink(missing_ok=True)


def _read_key(path: Path) -> Ed25519PrivateKey:
    if os.name == "posix":
        mode = stat.S_IMODE(path.stat().st_mode)
        if mode & 0o077:
            raise MachineError(
                "key-file-open-to-others",
                f"The device's key {path} has mode {mode:04o}, so others may read it.",
                f"If nobody has read it, run: chmod 600 {path}. Otherwise delete it: a new key "
                "is made, and the device gets a new id.",
            )
    try:
        key = load_pem_private_key(path.read_bytes(), password=None)
    except (ValueError, TypeError, UnsupportedAlgorithm):
        key = None
    if not isinstance(key, Ed25519PrivateKey):
        raise RecordError(
            "key-file-damaged",
            f"The file {path} holds no Ed25519 private key.",
            "Restore it from a backup, or move it away: a new key is made, and the device gets "
            "a new id.",
        )
    return key


@lru_cache(maxsize=4096)
def _public_key(device: str) -> Ed25519PublicKey:
    return Ed25519PublicKey.from_public_bytes(bytes.fromhex(device))


def signature_holds(device: str, *, entry_hash: bytes, signature: bytes) -> bool:
    """Tell whether a device (id of 64 hexadecimal digits) signed an entry hash.

    Source: rfc-8032 5.1.7
    """
    try:
        _public_key(device).verify(signature, entry_hash)
    except (InvalidSignature, ValueError):
        return False
    return True
