"""The household's own key (Ed25519, RFC 8032): whoever lacks it cannot rebuild a chain or a proof unseen."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

from monitor.errors import ConfigError, UsageError, to_install

KEY_NAME = "household.key"


def _library() -> Any:
    try:
        from cryptography.hazmat.primitives.asymmetric import ed25519
    except ImportError:
        raise ConfigError(
            "signing, and checking a signature, needs the 'cryptography' library.",
            to_install("cryptography>=42"),
        ) from None
    return ed25519


def can_verify() -> bool:
    """Whether signatures can be checked on this machine."""
    try:
        _library()
    except ConfigError:
        return False
    return True


class Key:
    """A private key, and what it signs. ``public`` is 64 hex digits."""

    def __init__(self, raw: bytes) -> None:
        self._key = _library().Ed25519PrivateKey.from_private_bytes(raw)
        self.public: str = self._key.public_key().public_bytes_raw().hex()

    def sign(self, message: bytes) -> str:
        """128 hex digits."""
        return str(self._key.sign(message).hex())


def key_path(data_dir: Path) -> Path:
    """Where the key of a store lies: ``$BOILWITNESS_KEY``, else beside the store."""
    named = os.environ.get("BOILWITNESS_KEY")
    return Path(named) if named else data_dir / KEY_NAME


def read_key(path: Path) -> Key:
    """Raises UsageError when there is no key in the file."""
    try:
        raw = bytes.fromhex(path.read_text("ascii").strip())
    except FileNotFoundError:
        raise UsageError(f"{path}: no key there.", "'boilwitness prove RUN --sign' makes one.") from None
    except OSError as trouble:
        raise UsageError(f"{path}: cannot be read ({trouble.strerror}).") from None
    except ValueError:
        raw = b""
    if len(raw) != 32:
        raise UsageError(f"{path}: expected a key, 64 hex digits.")
    return Key(raw)


def standing_key(data_dir: Path) -> Key | None:
    """The store's key if the household has made one and signing is installed here."""
    path = key_path(data_dir)
    return read_key(path) if path.exists() and can_verify() else None


def make_key(path: Path) -> Key:
    """A new key in a file that only its owner may read; the public half beside it as ``.pub``."""
    raw = _library().Ed25519PrivateKey.generate().private_bytes_raw()
    key = Key(raw)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(handle, "w", encoding="ascii") as file:
            file.write(raw.hex() + "\n")
        path.with_name(path.name + ".pub").write_text(key.public + "\n", encoding="ascii")
    except OSError as trouble:
        raise UsageError(f"{path}: the key cannot be written ({trouble.strerror}).") from None
    return key


def read_public(text: str) -> str:
    """A public key: 64 hex digits, or a file that holds them.

    Raises UsageError; ConfigError without the library, for whoever names a key asks that it be checked.
    """
    _library()
    path = Path(text)
    if path.is_file():
        text = path.read_text("utf-8", "replace")
    text = text.strip().lower()
    if len(text) != 64 or any(sign not in "0123456789abcdef" for sign in text):
        raise UsageError(
            "expected a public key: 64 hex digits, or a file that holds them (household.key.pub)."
        )
    return text


def is_signed_by(public: str, message: bytes, signature: str) -> bool:
    """Whether the signature over the message is by this key. Raises ConfigError without the library."""
    from cryptography.exceptions import InvalidSignature

    try:
        key = _library().Ed25519PublicKey.from_public_bytes(bytes.fromhex(public))
        key.verify(bytes.fromhex(signature), message)
    except (InvalidSignature, ValueError):
        return False
    return True
