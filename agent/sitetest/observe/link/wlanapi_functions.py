"""Calls into Windows' wlanapi.dll and iphlpapi.dll through ctypes.

Nothing here scans, registers for notifications or changes a setting. The two libraries are passed in, so that a table
of functions that fills the same structures can stand in their place. Has not been run on Windows.

May import the standard library and its neighbours only.
"""

import ctypes
from ctypes import byref, c_uint32, c_uint64, c_void_p
from typing import Any

from sitetest.observe.link.wlanapi_structures import INTERFACE_BYTES, Guid, read_interfaces

CLIENT_VERSION = 2
LONGEST_LIST = 64
"""More interfaces than any laptop has; above it the count is taken for damage."""


class WlanRefused(Exception):
    """Windows answered with an error number. code: as in winerror.h."""

    def __init__(self, code: int) -> None:
        super().__init__(f"Windows error {code}")
        self.code = code


class WlanFunctions:
    """Raises OSError, when it is made, where the libraries do not exist, and WlanRefused for every error number."""

    def __init__(self, wlanapi: Any = None, iphlpapi: Any = None) -> None:
        self._wlan = wlanapi if wlanapi is not None else _load("wlanapi")
        self._names = iphlpapi if iphlpapi is not None else _load("iphlpapi")
        self._handle = c_void_p()
        version = c_uint32()
        _check(self._wlan.WlanOpenHandle(c_uint32(CLIENT_VERSION), None, byref(version), byref(self._handle)))

    def guid_of(self, interface: str) -> bytes | None:
        """Return the GUID of the WLAN interface with that name; None when no WLAN interface has it."""
        luid, guid = c_uint64(), Guid()
        if self._names.ConvertInterfaceAliasToLuid(ctypes.c_wchar_p(interface), byref(luid)) != 0:
            return None
        _check(self._names.ConvertInterfaceLuidToGuid(byref(luid), byref(guid)))
        return bytes(guid) if any(bytes(guid) == known for known, _ in self.interfaces()) else None

    def interfaces(self) -> list[tuple[bytes, str]]:
        """Return (GUID, description) of every WLAN interface."""
        found = c_void_p()
        _check(self._wlan.WlanEnumInterfaces(self._handle, None, byref(found)))
        try:
            count = int.from_bytes(ctypes.string_at(found, 4), "little")
            if count > LONGEST_LIST:
                raise ValueError(f"{count} WLAN interfaces")
            return read_interfaces(ctypes.string_at(found, 8 + INTERFACE_BYTES * count))
        finally:
            self._wlan.WlanFreeMemory(found)

    def query(self, guid: bytes, opcode: int) -> bytes:
        """Return the bytes that WlanQueryInterface answers with."""
        size, data = c_uint32(), c_void_p()
        identity = Guid.from_buffer_copy(guid)
        code = self._wlan.WlanQueryInterface(
            self._handle, byref(identity), c_uint32(opcode), None, byref(size), byref(data), None
        )
        _check(code)
        try:
            return ctypes.string_at(data, size.value) if data.value else b""
        finally:
            self._wlan.WlanFreeMemory(data)

    def close(self) -> None:
        """Close the handle; a second time does nothing."""
        if self._handle.value:
            self._wlan.WlanCloseHandle(self._handle, None)
            self._handle = c_void_p()


def _load(name: str) -> Any:
    loader = getattr(ctypes, "WinDLL", None)
    if loader is None:
        raise OSError(f"{name}.dll exists on Windows only")
    return loader(name)


def _check(code: int) -> None:
    if code != 0:
        raise WlanRefused(code)
