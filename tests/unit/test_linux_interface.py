"""What /sys/class/net says, on trees laid out as the kernel lays them out (sysfs-class-net, sysfs-bus-usb)."""

from pathlib import Path

import pytest

from sitetest.observe.linux_interface import driver_of, is_wifi, usb_mbps_of


def usb_radio(root: Path, speed: str = "480\n") -> Path:
    """An adapter on USB: the network device hangs on an interface of a USB device, which has idVendor and speed."""
    usb_device = root / "devices" / "usb1" / "1-2"
    function = usb_device / "1-2:1.0"
    function.mkdir(parents=True)
    (usb_device / "idVendor").write_text("0000\n")
    (usb_device / "speed").write_text(speed)
    driver = root / "bus" / "drivers" / "a_driver"
    driver.mkdir(parents=True)
    (function / "driver").symlink_to(driver)
    net = root / "class" / "net"
    (net / "wlan0" / "phy80211").mkdir(parents=True)
    (net / "wlan0" / "device").symlink_to(function)
    return net


def test_a_radio_on_usb_is_known_with_driver_and_speed(tmp_path: Path) -> None:
    net = usb_radio(tmp_path)
    assert is_wifi("wlan0", net)
    assert driver_of("wlan0", net) == "a_driver"
    assert usb_mbps_of("wlan0", net) == 480


def test_an_interface_without_a_device_is_neither(tmp_path: Path) -> None:
    """A bridge or a veth has no ``device``."""
    (tmp_path / "br0").mkdir()
    assert not is_wifi("br0", tmp_path)
    assert driver_of("br0", tmp_path) is None
    assert usb_mbps_of("br0", tmp_path) is None


def test_the_older_folder_name_counts_as_well(tmp_path: Path) -> None:
    (tmp_path / "wlan1" / "wireless").mkdir(parents=True)
    assert is_wifi("wlan1", tmp_path)


def test_a_device_that_is_not_on_usb_has_no_usb_speed(tmp_path: Path) -> None:
    device = tmp_path / "devices" / "0000:02:00.0"
    device.mkdir(parents=True)
    (tmp_path / "wlan0").mkdir()
    (tmp_path / "wlan0" / "device").symlink_to(device)
    assert usb_mbps_of("wlan0", tmp_path) is None


@pytest.mark.parametrize("speed", ["", "fast\n"])
def test_a_speed_that_is_no_number_is_not_known(tmp_path: Path, speed: str) -> None:
    assert usb_mbps_of("wlan0", usb_radio(tmp_path, speed)) is None
