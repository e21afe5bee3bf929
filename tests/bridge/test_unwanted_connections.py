"""Strangers at the TCP port: browsers, guessed tokens, and connections that send nothing."""

from __future__ import annotations

import contextlib
import shutil
import socket
import ssl
import struct
import subprocess
import threading
import time
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import pytest
from bridge_rig import PATIENCE_S, Running, Start, WatchedBox

from tallymark.bridge.connection_refusal_limits import PERIOD_S, ReportLimit, TokenAttempts
from tallymark.bridge.foreign_protocols import foreign_protocol

CHROMIUM = shutil.which("chromium")
PAGE = """<!doctype html><title>page</title><body><script>
const at = "127.0.0.1:PORT";
for (let n = 0; n < 5; n++) {
  fetch("http://" + at + "/" + n, {mode: "no-cors"}).catch(() => 0);
  fetch("http://" + at + "/" + n,
        {mode: "no-cors", method: "POST", body: "x".repeat(50)}).catch(() => 0);
  fetch("http://" + at + "/" + n, {method: "PUT", headers: {a: "b"}}).catch(() => 0);
  fetch("https://" + at + "/" + n, {mode: "no-cors"}).catch(() => 0);
  new Image().src = "http://" + at + "/" + "long".repeat(3000) + n;
  try { new WebSocket("ws://" + at + "/" + n); } catch (e) {}
}
for (const scheme of ["turn:", "stun:"]) {
  try {
    const peer = new RTCPeerConnection({iceTransportPolicy: "relay", iceServers: [
      {urls: scheme + at + (scheme == "turn:" ? "?transport=tcp" : ""),
       username: "a", credential: "b"}]});
    peer.createDataChannel("a");
    peer.createOffer().then(offer => peer.setLocalDescription(offer));
  } catch (e) {}
}
setTimeout(() => { document.title = "over"; document.body.textContent = "over"; }, 4000);
</script>"""


def connect(running: Running) -> socket.socket:
    return socket.create_connection(("127.0.0.1", int(running.port.split(":")[1])), PATIENCE_S)


@pytest.mark.skipif(CHROMIUM is None, reason="needs Chromium: make test-programs")
def test_a_page_in_a_real_browser_sends_no_marker(
    box: WatchedBox, start: Start, tmp_path: Path
) -> None:
    running = start("--tcp", 0)
    page = PAGE.replace("PORT", running.port.split(":")[1]).encode()

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            self.send_response(200)
            self.send_header("Content-Type", "text/html")
            self.end_headers()
            self.wfile.write(page)

        def log_message(self, *_: object) -> None:
            pass

    with ThreadingHTTPServer(("127.0.0.1", 0), Handler) as server:
        threading.Thread(target=server.serve_forever, daemon=True).start()
        assert CHROMIUM is not None
        subprocess.run(
            [CHROMIUM, "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic",
             "--no-first-run", "--disable-background-networking", "--disable-component-update",
             "--disable-sync", f"--user-data-dir={tmp_path / 'browser'}", "--timeout=8000",
             "--virtual-time-budget=6000", "--dump-dom", f"http://127.0.0.1:{server.server_port}/"],
            check=True, capture_output=True, timeout=120,
        )
        server.shutdown()
    running.says("was rejected: what came first was")  # HTTP or TLS: the first few are reported
    with connect(running) as client:  # it goes on for a program
        client.sendall(b"\x09")
        running.shows(1)
    assert running.end() == 0
    assert [marker.code for marker in running.logged().markers] == [9]
    assert any("was rejected" in said.text for said in running.logged().said)


def tls_greeting() -> bytes:
    """That of Python's own TLS library."""
    incoming, outgoing = ssl.MemoryBIO(), ssl.MemoryBIO()
    client = ssl.create_default_context().wrap_bio(incoming, outgoing, server_hostname="ferry")
    with contextlib.suppress(ssl.SSLWantReadError):
        client.do_handshake()
    return outgoing.read()


@pytest.mark.parametrize(
    "first",
    [
        b"GET / HTTP/1.1\r\nHost: a\r\n\r\n",
        b"POST /" + b"a" * 9000 + b" HTTP/1.1\r\n",
        b"OPTIONS * HTTP/1.1\r\n",
        b"CONNECT a:80 HTTP/1.1\r\n",
        b"PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n",
        b"GET http://a/ HTTP/1.1\r\n",
        tls_greeting(),
        struct.pack(">HHI12s", 3, 0, 0x2112A442, b"a" * 12),
    ],
    ids=["get", "long", "options", "connect", "http 2", "proxy", "tls", "stun"],
)
def test_a_greeting_of_another_protocol_is_known(first: bytes) -> None:
    assert foreign_protocol(first) is not None


@pytest.mark.parametrize(
    "first",
    [b"G", b"GET", bytes(range(256)), bytes(range(255, -1, -1)), b"\x16\x03\x01", b"5", b"S 12\n",
     b"\x16\x03\x01\x00\x05\x01\x00\x00\x05", b"Marker 1\n", b"\x00" * 30],
)
def test_bytes_that_may_be_codes_are_let_in(first: bytes) -> None:
    assert foreign_protocol(first) is None


def test_the_browser_reads_why(box: WatchedBox, start: Start) -> None:
    running = start("--tcp", 0)
    with connect(running) as client:
        client.sendall(b"GET / HTTP/1.1\r\nHost: a\r\n\r\n")
        heard = client.makefile().read()
    assert "Connection rejected: what came first was an HTTP request" in heard
    assert running.end() == 0
    assert running.logged().markers == []


def test_one_that_says_nothing_keeps_nobody_out(box: WatchedBox, start: Start) -> None:
    running = start("--tcp", 0)
    with connect(running) as silent:
        running.says("A program has connected")
        with connect(running) as client:
            client.sendall(b"\x05")
            running.shows(1)
        running.says("has closed the connection")
        silent.sendall(b"\x06")  # it may still be the program
        running.shows(2)
        assert running.end() == 0
    markers = running.logged().markers
    assert [marker.code for marker in markers] == [5, 6]
    assert "had to wait" not in running.notes


def test_a_connection_that_is_reset_at_once_ends_alone(box: WatchedBox, start: Start) -> None:
    """With SO_LINGER 0 the closing is a reset, which may meet any step of the greeting."""
    running = start("--tcp", 0)
    for _ in range(200):
        with connect(running) as client:
            client.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
            client.send(b"")
    with connect(running) as client:
        client.sendall(b"\x07")
        running.shows(1)
    assert running.end() == 0
    assert [marker.code for marker in running.logged().markers] == [7]


def test_an_option_that_can_not_be_set_ends_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    from tallymark.bridge.tcp_port import TcpPort

    def fail(*_: object) -> None:
        raise OSError(22, "Invalid argument")

    told: list[str] = []
    port = TcpPort(lambda text, **_: told.append(text), 0)
    try:
        monkeypatch.setattr(socket.socket, "setsockopt", fail)
        number = int(port.where.split(":")[1])
        with socket.socket() as client:
            client.connect(("127.0.0.1", number))
            client.sendall(b"\x05")
            data: bytes | None = b""
            end = time.monotonic() + PATIENCE_S
            while not data and time.monotonic() < end:
                data = port.receive()
            assert data == b"\x05"
    finally:
        monkeypatch.undo()
        port.close()


def test_a_token_can_not_be_tried_out(box: WatchedBox, start: Start) -> None:
    running = start("--tcp", 0, "--token", "0417")
    heard = ""
    for guess in range(8):
        with connect(running) as client:
            with contextlib.suppress(OSError):
                client.sendall(f"{guess:04}\n".encode())
            heard = client.makefile().read()
    assert "too many wrong tokens came from 127.0.0.1; it has to wait" in heard
    running.says("connections from there are rejected for up to 60 s")
    with connect(running) as client:
        with contextlib.suppress(OSError):
            client.sendall(b"0417\n\x05")
        assert "it has to wait" in client.makefile().read()
    assert running.end() == 0
    assert running.logged().markers == []


def test_attempts_are_counted_by_address() -> None:
    attempts = TokenAttempts()
    for at in range(5):
        assert attempts.locked_s("10.0.0.1", at) == 0
        attempts.wrong("10.0.0.1", at)
    assert attempts.locked_s("10.0.0.1", 5) == PERIOD_S - 5
    assert attempts.locked_s("10.0.0.2", 5) == 0
    assert attempts.locked_s("10.0.0.1", PERIOD_S) == 0
    attempts.wrong("10.0.0.1", PERIOD_S)
    assert attempts.locked_s("10.0.0.1", PERIOD_S) == 1  # until that at 1 s is old enough
    for address in range(1000):
        attempts.wrong(str(address), PERIOD_S)
    assert attempts.locked_s("10.0.0.1", PERIOD_S) == 0  # memory has an end


def test_reports_are_limited_and_then_summed_up() -> None:
    said: list[str] = []
    limit = ReportLimit(said.append)
    for at in range(20):
        limit.say("knocks", f"knock {at}", at)
    assert said == [f"knock {at}" for at in range(5)]
    assert limit.due_s() == PERIOD_S
    limit.settle(PERIOD_S - 1)
    assert len(said) == 5
    limit.settle(PERIOD_S)
    assert said[5:] == ["15 more within a minute: knocks."]
    assert limit.due_s() is None
    limit.say("knocks", "another", PERIOD_S + 1)
    assert said[6:] == ["another"]


def test_many_strangers_fill_no_log(box: WatchedBox, start: Start) -> None:
    running = start("--tcp", 0)
    for _ in range(60):
        with connect(running) as client:
            with contextlib.suppress(OSError):
                client.sendall(b"GET / HTTP/1.1\r\n\r\n")
            client.makefile().read()
    assert running.end() == 0
    said = [each.text for each in running.logged().said]
    assert len(said) == 6
    assert said[-1] == "55 more within a minute: connections that were rejected."


