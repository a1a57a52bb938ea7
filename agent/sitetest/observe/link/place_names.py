"""How network names and BSSIDs are written down. They tell where somebody is, so by default only labels are kept.

A label is made from the name and a secret of this installation: equal names give equal labels here, and nobody without
the secret can look the name up. The secret and a map from labels to names stay on this machine, in its data folder; the
map is for the person who looks after the site and is never read by sitetest itself.

May import platformdirs and the standard library only.
"""

import hashlib
import hmac
import json
import os
import re
import secrets
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Protocol

LABEL_DIGITS = 8
"""Hexadecimal digits of a label. 300 access points share one by accident once in about 100,000 installations
(birthday bound: n^2 / 2 / 16^8)."""

SALT_FILE = "place-salt"
MAP_FILE = "place-names.json"
SALT_BYTES = 32


class PlaceNames(Protocol):
    """Turns what the radio says into what is written down."""

    def ssid(self, raw: bytes) -> str:
        """Return what is written for a network name (bytes: it need not be text)."""

    def bssid(self, address: str) -> str:
        """Return what is written for a BSSID in any usual spelling. Raises ValueError when it is none."""


def normal_bssid(address: str) -> str:
    """Return a BSSID as six lower-case pairs. Accepts `:` and `-` and pairs without their leading zero. Raises
    ValueError when it is no BSSID."""
    parts = re.split("[:-]", address.strip())
    if len(parts) != 6 or not all(re.fullmatch("[0-9A-Fa-f]{1,2}", part) for part in parts):
        raise ValueError(f"not a BSSID: {address!r}")
    return ":".join(part.lower().zfill(2) for part in parts)


def ssid_text(raw: bytes) -> str:
    """Return a network name as text; bytes that are not UTF-8 are written as \\xNN."""
    return raw.decode("utf-8", errors="backslashreplace")


class FullNames:
    """Writes names as they are: only when the person asked for it."""

    def ssid(self, raw: bytes) -> str:
        """Return the name as text."""
        return ssid_text(raw)

    def bssid(self, address: str) -> str:
        """Return the address in its normal spelling."""
        return normal_bssid(address)


class Labels:
    """Writes labels such as `ap-3f9a61c2` and `ssid-07be94d1`. remember: called with each new label and its name."""

    def __init__(self, salt: bytes, remember: Callable[[str, str], None] | None = None) -> None:
        if len(salt) < 16:
            raise ValueError("a salt has at least 16 bytes")
        self._salt = salt
        self._remember = remember
        self._known: dict[tuple[str, bytes], str] = {}

    def ssid(self, raw: bytes) -> str:
        """Return the label of a network name."""
        return self._label("ssid", raw, ssid_text(raw))

    def bssid(self, address: str) -> str:
        """Return the label of a BSSID."""
        normal = normal_bssid(address)
        return self._label("ap", normal.encode(), normal)

    def _label(self, kind: str, raw: bytes, name: str) -> str:
        if (kind, raw) not in self._known:
            digest = hmac.new(self._salt, kind.encode() + b"\0" + raw, hashlib.sha256).hexdigest()
            label = f"{kind}-{digest[:LABEL_DIGITS]}"
            self._known[kind, raw] = label
            if self._remember is not None:
                self._remember(label, name)
        return self._known[kind, raw]


def own_labels(folder: Path | None = None) -> Labels:
    """Return the labels of this installation. folder: where salt and map live; None for the user's data folder.

    Where the folder cannot be written the salt lives as long as the process: labels are then equal within one run only.
    """
    if folder is None:
        import platformdirs  # noqa: PLC0415  only needed when a run starts

        folder = Path(platformdirs.user_data_dir("sitetest", appauthor=False))
    return Labels(_salt_in(folder), lambda label, name: _remember_in(folder, label, name))


def _salt_in(folder: Path) -> bytes:
    file = folder / SALT_FILE
    fresh = secrets.token_bytes(SALT_BYTES)
    try:
        folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        beside = file.with_name(f"{SALT_FILE}.{os.getpid()}.{secrets.token_hex(4)}")
        if not file.exists():
            beside.touch(mode=0o600, exist_ok=False)
            beside.write_bytes(fresh)
            try:
                os.link(beside, file)  # the first of two that start at once wins, with a whole file
            except FileExistsError:
                pass
            finally:
                beside.unlink()
        kept = file.read_bytes()
    except OSError:
        return fresh
    return kept if len(kept) >= SALT_BYTES else fresh


def _remember_in(folder: Path, label: str, name: str) -> None:
    file = folder / MAP_FILE
    beside = file.with_name(f"{MAP_FILE}.{os.getpid()}.{secrets.token_hex(4)}")
    try:
        names = json.loads(file.read_text(encoding="utf-8")) if file.exists() else {}
        if names.get(label) == name:
            return
        beside.touch(mode=0o600, exist_ok=False)
        beside.write_text(json.dumps({**names, label: name}, indent=1, sort_keys=True), encoding="utf-8")
        beside.replace(file)
    except (OSError, ValueError, AttributeError):
        with suppress(OSError):  # the map is a convenience; the labels are right without it
            beside.unlink(missing_ok=True)
