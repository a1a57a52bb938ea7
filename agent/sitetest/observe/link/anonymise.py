"""Takes out of a system's answer what tells where it was given, and keeps what is equal equal.

Addresses become 02:00:00:00:00:01 and so on, network names ssid-1 and so on, in order of appearance; the country code
becomes XX, and the interface wifi0 (some systems put the hardware address into its name).

May import the standard library only.
"""

import re
from typing import Any

ADDRESS = re.compile(r"(?<![0-9A-Fa-f:-])[0-9A-Fa-f]{1,2}(?:[:-][0-9A-Fa-f]{1,2}){5}(?![0-9A-Fa-f:-])")
INTERFACE = "wifi0"
COUNTRY = "XX"
HEX_NAMES = frozenset({"SSID", "ssid_hex"})
TEXT_NAMES = frozenset({"ssid"})
COUNTRIES = frozenset({"country", "countryCode"})
INTERFACES = frozenset({"interface_name", "interfaceName"})


class Anonymiser:
    """One mapping for a whole file."""

    def __init__(self) -> None:
        self._addresses: dict[str, str] = {}
        self._names: dict[bytes, str] = {}

    def clean(self, value: Any, key: str = "") -> Any:
        """Return JSON types with everything replaced that identifies. key: the name under which the value stands."""
        if isinstance(value, dict):
            return {self._text(name): self.clean(inside, name) for name, inside in value.items()}
        if isinstance(value, list | tuple):
            return [self.clean(inside, key) for inside in value]
        if not isinstance(value, str):
            return value
        return self._clean_text(value, key)

    def _clean_text(self, value: str, key: str) -> str:
        if key in HEX_NAMES:
            try:
                raw = bytes.fromhex(value)
            except ValueError:
                raw = value.encode()
            return self._name(raw).encode().hex() if raw else ""
        if key in TEXT_NAMES:
            return self._name(value.encode()) if value else value
        if key in COUNTRIES:
            return COUNTRY
        if key in INTERFACES:
            return INTERFACE
        return self._text(value)

    def _text(self, value: str) -> str:
        return ADDRESS.sub(lambda match: self._address(match.group()), value)

    def _address(self, address: str) -> str:
        normal = ":".join(part.lower().zfill(2) for part in re.split("[:-]", address))
        number = len(self._addresses) + 1
        return self._addresses.setdefault(
            normal, f"02:00:00:{number >> 16 & 255:02x}:{number >> 8 & 255:02x}:{number & 255:02x}"
        )

    def _name(self, raw: bytes) -> str:
        return self._names.setdefault(raw, f"ssid-{len(self._names) + 1}")
