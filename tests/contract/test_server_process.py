"""The real process: its ready line, its exit codes, and that nothing of it is left when it was told to stop."""

import http.client
import json
import signal
import socket
import ssl
import stat
import subprocess
import sys
import time
from pathlib import Path

import psutil
import pytest
import trustme
from server_app import lease_request
from server_process import ServerProcess, server_environment, server_process

COMMAND = [sys.executable, "-m", "sitetest_server"]


def ask(server: ServerProcess, method: str, path: str, body: object = None) -> tuple[int, dict[str, object]]:
    connection = http.client.HTTPConnection("127.0.0.1", server.port, timeout=10)
    try:
        connection.request(method, path, None if body is None else json.dumps(body), server.headers)
        answer = connection.getresponse()
        return answer.status, json.loads(answer.read() or b"{}")
    finally:
        connection.close()


def ended(folder: Path, *options: str, **environment: str) -> "subprocess.CompletedProcess[str]":
    """Run a server that must end by itself."""
    return subprocess.run(
        [*COMMAND, *options],
        env={**server_environment(folder), "NO_COLOR": "1", "COLUMNS": "200", **environment},
        capture_output=True,
        text=True,
        timeout=20,
        check=False,
    )


@pytest.mark.slow
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_it_is_ready_with_one_line_and_stops_within_two_seconds_in_mid_transfer(
    tmp_path: Path, number: signal.Signals
) -> None:
    with server_process(tmp_path) as server:
        status, lease = ask(server, "POST", "/v1/leases", lease_request(duration_s=60))
        assert status == 201
        assert ask(server, "POST", "/v1/leases", lease_request())[0] == 202
        transfer = http.client.HTTPConnection("127.0.0.1", server.port, timeout=10)
        transfer.request("GET", f"/v1/transfer/{lease['lease_id']}/download/0", headers=server.headers)
        payload = transfer.getresponse()
        assert payload.read(1_000_000)
        follower = http.client.HTTPConnection("127.0.0.1", server.port, timeout=10)
        follower.request("GET", f"/v1/leases/{lease['lease_id']}/samples", headers=server.headers)
        samples = follower.getresponse()
        start_s = time.monotonic()
        server.process.send_signal(number)
        last_line = samples.read().splitlines()[-1]
        assert server.process.wait(5) == 0
        assert time.monotonic() - start_s < 2.0
        assert json.loads(last_line)["end"]["problem"] == "the lease ended: the server was stopped"
        assert server.process.stdout is not None
        assert server.process.stdout.read() == ""  # the ready line was all
        transfer.close()
        follower.close()


@pytest.mark.slow
@pytest.mark.libiperf
@pytest.mark.parametrize("how", ["SIGTERM", "SIGKILL", "DELETE"])
def test_no_iperf3_worker_outlives_its_lease_or_its_server(tmp_path: Path, how: str) -> None:
    with server_process(tmp_path, "--iperf3-ports", free_port()) as server:
        status, lease = ask(server, "POST", "/v1/leases", lease_request(engine="iperf3", duration_s=60))
        assert status == 201
        workers = psutil.Process(server.pid).children(recursive=True)
        assert workers
        assert lease["iperf3_port"] in {
            connection.laddr.port for worker in workers for connection in worker.net_connections("tcp")
        }
        if how == "DELETE":
            ask(server, "DELETE", f"/v1/leases/{lease['lease_id']}")
        else:
            server.process.send_signal(signal.Signals[how])
            server.process.wait(5)
        assert psutil.wait_procs(workers, timeout=2)[1] == []


def free_port() -> str:
    with socket.create_server(("127.0.0.1", 0)) as probe:
        return str(probe.getsockname()[1])


@pytest.mark.slow
def test_a_port_in_use_is_wrong_use_and_says_what_to_do(tmp_path: Path) -> None:
    with server_process(tmp_path / "first") as server:
        done = ended(tmp_path / "second", "--bind", "127.0.0.1", "--port", str(server.port))
    assert done.returncode == 2
    assert done.stdout == ""
    assert f"127.0.0.1 port {server.port} is in use" in done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.slow
@pytest.mark.parametrize(
    ("options", "told"),
    [
        (["--bind", "192.0.2.77"], "not an address of this machine"),
        (["--tls-cert", "c.pem"], "go together"),
        (["--tls-cert", "c.pem", "--tls-key", "k.pem"], "cannot be read"),
        (["--iperf3-ports", "9-8"], "the smaller one first"),
        (["--reflector-port", "65536"], "--reflector-port"),
        (["--token", "two words"], "one word"),
        (["--simulate-link", "nowhere.json"], "cannot be read"),
        (["--parallel", "0"], "--parallel"),
        (["--max-seconds", "nan"], "--max-seconds"),
        (["extra"], "extra"),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, list) else None,
)
def test_wrong_use_ends_with_2_and_a_sentence(tmp_path: Path, options: list[str], told: str) -> None:
    done = ended(tmp_path, "--port", "0", "--no-announce", *options)
    assert done.returncode == 2, done.stderr
    assert done.stdout == ""
    assert told in done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.slow
def test_a_made_token_is_printed_with_its_use_kept_and_needed(tmp_path: Path) -> None:
    said = []
    for _ in range(2):
        with server_process(tmp_path, token="") as server:
            deadline_s = time.monotonic() + 5
            while "caution" not in server.stderr_path.read_text() and time.monotonic() < deadline_s:
                time.sleep(0.01)
            said.append((server.server_id, server.stderr_path.read_text()))
            assert ask(server, "GET", "/v1/leases")[0] == 401
            server.token = said[-1][1].split("token: ")[1].split()[0]
            connection = http.client.HTTPConnection("127.0.0.1", server.port, timeout=10)
            connection.request("GET", "/v1/leases", headers=server.headers)
            assert connection.getresponse().status == 200
            connection.close()
    assert said[0][0] == said[1][0]  # the same server
    tokens = [text.split("token: ")[1].split()[0] for _, text in said]
    assert tokens[0] == tokens[1]
    assert "SITETEST_TOKEN" in said[0][1]
    assert "owner's consent" in said[0][1]
    kept = list((tmp_path / "config").rglob("token"))
    assert [stat.S_IMODE(file.stat().st_mode) for file in kept] == [0o600]


@pytest.mark.slow
def test_round_trips_have_the_udp_port_of_the_same_number_or_the_one_that_was_named(tmp_path: Path) -> None:
    """Said to people, for their firewall; and one that is in use stops nothing."""
    with server_process(tmp_path / "same") as server:
        assert identity(server)["reflector_port"] == server.port
        wait_until_said(server, f"round trips are measured over UDP port {server.port}")
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as other:
        other.bind(("127.0.0.1", 0))
        number = other.getsockname()[1]
        with server_process(tmp_path / "taken", "--reflector-port", str(number)) as server:
            assert identity(server)["reflector_port"] is None
            wait_until_said(server, f"no round trips can be measured with this server: UDP port {number}")
            assert ask(server, "POST", "/v1/leases", lease_request())[0] == 201
            assert server.stop() == 0


def identity(server: ServerProcess) -> dict[str, object]:
    return ask(server, "GET", "/v1/identity")[1]


def wait_until_said(server: ServerProcess, text: str) -> None:
    deadline_s = time.monotonic() + 5
    while text not in server.stderr_path.read_text():
        assert time.monotonic() < deadline_s, server.stderr_path.read_text()
        time.sleep(0.01)


@pytest.mark.slow
def test_a_given_token_is_not_repeated_to_whoever_reads_the_log(tmp_path: Path) -> None:
    with server_process(tmp_path, token="a-secret-of-the-shop") as server:
        assert ask(server, "GET", "/v1/leases")
    assert "a-secret-of-the-shop" not in server.stderr_path.read_text()


@pytest.mark.slow
def test_with_a_certificate_it_speaks_tls_only(tmp_path: Path) -> None:
    authority = trustme.CA()
    issued = authority.issue_cert("localhost")
    certificate, key = tmp_path / "cert.pem", tmp_path / "key.pem"
    issued.cert_chain_pems[0].write_to_path(certificate)
    issued.private_key_pem.write_to_path(key)
    trusting = ssl.create_default_context()
    authority.configure_trust(trusting)
    with server_process(tmp_path, "--tls-cert", str(certificate), "--tls-key", str(key)) as server:
        assert server.url.startswith("https://")
        connection = http.client.HTTPSConnection("localhost", server.port, timeout=10, context=trusting)
        connection.request("GET", "/v1/identity")
        assert json.loads(connection.getresponse().read())["server_id"] == server.server_id
        connection.close()
        distrusting = http.client.HTTPSConnection(
            "localhost", server.port, timeout=10, context=ssl.create_default_context()
        )
        with pytest.raises(ssl.SSLCertVerificationError):
            distrusting.request("GET", "/v1/identity")
        distrusting.close()


@pytest.mark.slow
def test_help_and_version_load_nothing_heavy() -> None:
    code = (
        "import sys, sitetest_server.main\n"
        "heavy = {'aiohttp', 'zeroconf', 'psutil', 'asyncio', 'ssl'} & set(sys.modules)\n"
        "sys.exit(f'loaded: {heavy}' if heavy else 0)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    shown = subprocess.run([*COMMAND, "--version"], capture_output=True, text=True, check=False)
    assert shown.returncode == 0
    assert shown.stdout.startswith("sitetest-server ")
