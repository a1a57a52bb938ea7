"""What the server keeps: its id and its token. And what it binds, with or without TLS."""

import socket
import stat
from pathlib import Path

import pytest
import trustme

from sitetest_server.access_token import TokenError, checked, kept_token
from sitetest_server.identity import kept_server_id
from sitetest_server.listener import ListenError, bound_address, listen, tls_context, url_of
from sitetest_server.main import port_range


def test_the_server_id_stays_the_same_over_restarts(tmp_path: Path) -> None:
    first = kept_server_id(tmp_path / "state", lambda: "0123456789abcdef")
    assert kept_server_id(tmp_path / "state", lambda: "f" * 16) == first == "0123456789abcdef"


def test_a_damaged_server_id_is_made_anew(tmp_path: Path) -> None:
    (tmp_path / "server_id").write_bytes(b"\xff\x00 half a line")
    assert kept_server_id(tmp_path, lambda: "a" * 16) == "a" * 16
    assert kept_server_id(tmp_path, lambda: "b" * 16) == "a" * 16


def test_a_token_is_made_once_and_only_its_owner_may_read_it(tmp_path: Path) -> None:
    token = kept_token(tmp_path / "config")
    file = tmp_path / "config" / "token"
    assert stat.S_IMODE(file.stat().st_mode) == 0o600
    assert kept_token(tmp_path / "config") == token
    assert len(token) >= 24
    assert kept_token(tmp_path / "another") != token


def test_a_token_file_that_others_could_read_is_closed_to_them(tmp_path: Path) -> None:
    file = tmp_path / "token"
    file.write_text("quay-street\n", encoding="ascii")
    file.chmod(0o644)
    assert kept_token(tmp_path) == "quay-street"
    assert stat.S_IMODE(file.stat().st_mode) == 0o600


@pytest.mark.parametrize("token", ["", "two words", "line\n", "caf\u00e9", "tab\t"])
def test_a_token_that_no_header_could_carry_is_refused(token: str) -> None:
    with pytest.raises(TokenError, match="--token: a token is one word"):
        checked(token, "--token")


def test_an_emptied_token_file_is_told_with_its_name(tmp_path: Path) -> None:
    (tmp_path / "token").touch()
    with pytest.raises(TokenError, match=r"token: a token is one word"):
        kept_token(tmp_path)


def test_a_folder_that_cannot_be_made_is_told_with_the_way_out(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    with pytest.raises(TokenError, match="give one with --token or SITETEST_TOKEN"):
        kept_token(tmp_path / "file" / "config")


def test_a_port_in_use_is_told_with_the_way_out() -> None:
    with listen("127.0.0.1", 0) as sock:
        port = sock.getsockname()[1]
        with pytest.raises(ListenError, match=rf"127\.0\.0\.1 port {port} is in use.*--port"):
            listen("127.0.0.1", port)


@pytest.mark.parametrize("address", ["192.0.2.77", "nowhere.invalid", "two..dots", "x" * 300])
def test_an_address_that_is_not_ours_is_told(address: str) -> None:
    """192.0.2.0/24 is for documentation (RFC 5737), .invalid never resolves (RFC 6761)."""
    with pytest.raises(ListenError, match=r"--bind .*not an address of this machine"):
        listen(address, 0)


def test_without_an_address_both_families_are_served() -> None:
    with listen(None, 0) as sock:
        port = sock.getsockname()[1]
        socket.create_connection(("127.0.0.1", port), 2).close()
        assert bound_address(sock) is None
        if sock.family is socket.AF_INET6:
            assert url_of(sock, tls=False) == f"http://[::]:{port}"
            socket.create_connection(("::1", port), 2).close()


def test_the_url_of_an_address_is_one_that_can_be_typed() -> None:
    with listen("127.0.0.1", 0) as sock:
        assert url_of(sock, tls=True) == f"https://127.0.0.1:{sock.getsockname()[1]}"
        assert bound_address(sock) == "127.0.0.1"


def test_tls_files_that_cannot_be_used_are_each_told_by_name(tmp_path: Path) -> None:
    authority = trustme.CA()
    certificate, key, other_key, prose = (tmp_path / name for name in ("c.pem", "k.pem", "other.pem", "prose.txt"))
    issued = authority.issue_cert("localhost")
    issued.cert_chain_pems[0].write_to_path(certificate)
    issued.private_key_pem.write_to_path(key)
    authority.issue_cert("localhost").private_key_pem.write_to_path(other_key)
    prose.write_text("not a certificate", encoding="ascii")
    assert tls_context(certificate, key).cert_store_stats()["crl"] == 0
    for paths, told in (
        ((tmp_path / "none.pem", key), r"--tls-cert .*none.pem: cannot be read: No such file"),
        ((certificate, tmp_path / "none.pem"), r"--tls-key .*none.pem: cannot be read"),
        ((certificate, other_key), r"--tls-key .*other.pem: is not the key of the certificate in .*c.pem"),
        ((prose, key), r"prose.txt.*not a PEM certificate chain"),
        ((certificate, prose), r"prose.txt.*not a PEM certificate chain"),
    ):
        with pytest.raises(ListenError, match=told):
            tls_context(*paths)


def test_a_port_range_is_read_or_refused_with_what_is_allowed() -> None:
    import typer

    assert port_range("17301-17308") == range(17301, 17309)
    assert port_range("17301") == range(17301, 17302)
    for text in ("17308-17301", "0-5", "1-65536", "a-b", "", "1-2-3"):
        with pytest.raises(typer.BadParameter, match="found"):
            port_range(text)
