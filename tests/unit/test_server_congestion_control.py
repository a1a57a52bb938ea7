"""Which congestion controls may be asked for; file names and meaning from the kernel's ip-sysctl documentation."""

from pathlib import Path

import pytest

from sitetest_server.congestion_control import choices, decode


@pytest.fixture
def settings(tmp_path: Path) -> Path:
    (tmp_path / "tcp_congestion_control").write_text("bbr\n", encoding="ascii")
    (tmp_path / "tcp_available_congestion_control").write_text("reno cubic bbr dctcp\n", encoding="ascii")
    (tmp_path / "tcp_allowed_congestion_control").write_text("reno cubic\n", encoding="ascii")
    return tmp_path


def test_the_default_comes_first_and_is_named_once(settings: Path) -> None:
    assert choices(settings, root=True) == ("bbr", "reno", "cubic", "dctcp")


def test_without_root_only_the_default_and_what_is_allowed(settings: Path) -> None:
    """The kernel lets anybody keep the default, allowed or not."""
    assert choices(settings, root=False) == ("bbr", "reno", "cubic")


def test_a_system_that_does_not_tell_offers_none(tmp_path: Path) -> None:
    assert choices(tmp_path, root=True) == ()


def test_a_name_ends_at_its_first_zero_byte() -> None:
    assert decode(b"cubic\0\0\0\0\0\0\0\0\0\0\0") == "cubic"
