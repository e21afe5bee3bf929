"""Only a browser of this computer that has the token gets anywhere."""

from __future__ import annotations

import asyncio
import json
import os
from collections.abc import Iterator

import pytest
from page_rig import Running
from websockets.asyncio.client import connect
from websockets.exceptions import ConnectionClosed, InvalidStatus

SEND = "/api/box/1/send"


@pytest.fixture(scope="module")
def shared(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    """One page for all tests of this file."""
    page = Running(tmp_path_factory.mktemp("page"), "virtual")
    yield page
    page.kill()


@pytest.fixture
def running(shared: Running) -> Running:
    shared.before = len(shared.sent)
    return shared


def body() -> dict[str, object]:
    return {"id": os.urandom(8).hex(), "window": "test", "code": 5}


@pytest.mark.parametrize("token", ["", "wrong", None])
def test_nothing_is_sent_without_the_token(running: Running, token):
    headers = {} if token is None else {"x-tallymark-token": token}
    status, text, _ = running.get(SEND, body(), headers)
    assert status == 401
    assert "token" in json.loads(text)["error"]
    assert running.sent_now == []


@pytest.mark.parametrize("host", ["evil.example", "evil.example:80", "127.0.0.1:1", ""])
def test_a_name_that_points_here_is_turned_away(running: Running, host):
    for path in ("/", SEND):
        headers = {"host": host, "x-tallymark-token": running.token}
        status, _, _ = running.get(path, body() if path == SEND else None, headers)
        assert status in (400, 421)
    assert running.sent_now == []


@pytest.mark.parametrize("origin", ["http://evil.example", "null", "https://127.0.0.1"])
def test_another_page_is_turned_away(running: Running, origin):
    headers = {"origin": origin, "x-tallymark-token": running.token}
    assert running.get(SEND, body(), headers)[0] == 403
    assert running.sent_now == []


def test_this_page_gets_through(running: Running):
    headers = {"origin": running.base, "x-tallymark-token": running.token}
    assert running.get(SEND, body(), headers)[0] == 200
    assert running.sent_now == [5]


async def live(running: Running, origin: str | None, first: str) -> str:
    async with connect(f"ws://{running.host}/live", origin=origin) as socket:
        await socket.send(first)
        return str(await asyncio.wait_for(socket.recv(), 20))


def test_the_websocket_asks_for_origin_and_token(running: Running):
    assert json.loads(asyncio.run(live(running, running.base, running.token)))["kind"] == "hello"
    for origin in ("http://evil.example", None):
        with pytest.raises(InvalidStatus):
            asyncio.run(live(running, origin, running.token))
    with pytest.raises(ConnectionClosed) as closed:
        asyncio.run(live(running, running.base, "wrong"))
    assert closed.value.rcvd is not None
    assert closed.value.rcvd.code == 4401


def test_nothing_may_be_loaded_from_elsewhere(running: Running):
    _, text, headers = running.get("/")
    assert "default-src 'none'" in headers["content-security-policy"]
    assert "script-src 'self'" in headers["content-security-policy"]
    assert headers["x-content-type-options"] == "nosniff"
    assert running.token not in text
    assert "http:" not in text
    for path in ("/static/../access.py", "/static/%2e%2e/access.py", "/static//etc/passwd"):
        assert running.get(path)[0] == 404


@pytest.mark.parametrize("data", [b"{", b"[]", b"[" * 100_000, b'{"code":' + b"1" * 5000 + b"}",
                                  b"x" * 300_000, b'{"code": true, "window": "w"}'])
def test_what_can_not_be_read_sends_nothing(running: Running, data):
    status, text, _ = running.get(SEND, data, {"x-tallymark-token": running.token})
    assert status == 400
    assert "Nothing was sent" in json.loads(text)["error"]
    assert running.sent_now == []


def test_the_same_request_again_sends_nothing_again(running: Running):
    same = {"id": "a" * 16, "window": "test", "code": 9}
    headers = {"x-tallymark-token": running.token}
    first = running.get(SEND, same, headers)
    second = running.get(SEND, same, headers)
    assert first[:2] == second[:2]
    assert first[0] == 200
    assert running.sent_now == [9]


def test_a_request_without_a_number_sends_nothing(running: Running):
    status, answer = running.post(SEND, id="", code=9)
    assert status == 400
    assert "Nothing was sent" in answer["error"]
    assert running.sent_now == []
