"""The network camera over its real socket."""

from __future__ import annotations

import http.client
import io
import json
import socket
import threading
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from urllib.parse import urlsplit

import numpy as np
import pytest
from PIL import Image

from .conftest import Bench, BoardPort


class Client:
    """One kept connection."""

    def __init__(self, bench: Bench) -> None:
        self.address = urlsplit(bench.ports["camera"]).netloc
        self.connection = http.client.HTTPConnection(self.address, timeout=10)
        bench.at_end(self.connection.close)

    def get(self, path: str, method: str = "GET") -> tuple[int, http.client.HTTPMessage, bytes]:
        self.connection.request(method, path)
        answer = self.connection.getresponse()
        return answer.status, answer.headers, answer.read()


@pytest.fixture
def client(shared_bench: Bench) -> Client:
    return Client(shared_bench)


def middle(headers: http.client.HTTPMessage) -> datetime:
    text = headers["X-Frame-Time"]
    assert text.endswith("Z")
    assert len(text) == len("2031-04-05T09:12:44.120123Z")
    return datetime.fromisoformat(text)


def test_a_frame_is_a_16_bit_png_over_a_kept_connection(client: Client) -> None:
    for _ in range(3):
        status, headers, body = client.get("/frame.png")
        assert (status, headers["Content-Type"], headers["Connection"]) == (200, "image/png", "keep-alive")
        picture = Image.open(io.BytesIO(body))
        assert (picture.size, picture.mode) == ((640, 480), "I;16")


def test_exposure_begins_after_the_request_and_its_middle_is_told(start_bench: Callable[..., Bench]) -> None:
    client = Client(start_bench())
    client.get("/frame.png")
    asked = datetime.now(UTC)
    _, headers, _ = client.get("/frame.png?exposure_ms=200")
    got = datetime.now(UTC)
    assert headers["X-Exposure-Ms"] == "200.0"
    assert (got - asked).total_seconds() >= 0.2
    assert (middle(headers) - asked).total_seconds() >= 0.1
    assert (got - middle(headers)).total_seconds() >= 0.1


def test_pace_shortens_the_exposure(start_bench: Callable[..., Bench]) -> None:
    client = Client(start_bench("--pace", "5"))
    client.get("/frame.png")
    began = time.monotonic()
    for _ in range(20):
        client.get("/frame.png?exposure_ms=400")
    assert 20 * 0.08 <= time.monotonic() - began < 20 * 0.4


@pytest.mark.parametrize(
    ("asked", "really"),
    [("20", 20.0), ("20.04", 20.0), ("20.06", 20.1), ("0.2", 1.0), ("1e9", 400.0), ("-5", 1.0)],
)
def test_what_was_really_set(client: Client, asked: str, really: float) -> None:
    status, headers, body = client.get(f"/settings?exposure_ms={asked}&gain=2")
    assert (status, headers["Content-Type"]) == (200, "application/json")
    assert json.loads(body) == {"exposure_ms": really, "gain": 2.0}
    assert client.get("/frame.png")[1]["X-Exposure-Ms"] == f"{really:.1f}"


@pytest.mark.parametrize("query", ["exposure_ms=long", "exposure_ms=nan", "exposure_ms=", "iso=100", "gain=inf"])
def test_a_bad_query_is_refused_in_a_sentence(client: Client, query: str) -> None:
    status, _, body = client.get(f"/settings?{query}")
    assert status == 400
    assert body.endswith(b".\n")
    assert client.get("/frame.png")[0] == 200


def test_other_paths_and_methods(client: Client) -> None:
    assert client.get("/")[0] == 404
    assert client.get("/frame.png", "DELETE")[0] == 405


@pytest.mark.parametrize(
    "head", [b"\x00\xff\r\n\r\n", b"GET\r\n\r\n", b"x" * 20000, b"GET / HTTP/1.1\r\nContent-Length: 9\r\n\r\n"]
)
def test_nonsense_is_hung_up_on(client: Client, head: bytes) -> None:
    host, _, port = client.address.partition(":")
    with socket.create_connection((host, int(port)), timeout=5) as raw:
        raw.sendall(head)
        assert raw.recv(100).startswith((b"HTTP/1.1 400", b""))
    assert client.get("/frame.png")[0] == 200


def test_light_and_exposure_make_the_picture_brighter(bench: Bench) -> None:
    client = Client(bench)

    def level(path: str) -> float:
        return float(np.asarray(Image.open(io.BytesIO(client.get(path)[2])), dtype=float).mean())

    dark = level("/frame.png?exposure_ms=5")
    board = BoardPort(bench.serial())
    board.ask("$X")
    board.ask("M3 S300")
    short, long = level("/frame.png?exposure_ms=5"), level("/frame.png?exposure_ms=10")
    assert short > dark + 100
    assert (long - dark) / (short - dark) == pytest.approx(2.0, rel=0.03)


def test_the_board_answers_while_a_picture_is_exposed_and_developed(start_bench: Callable[..., Bench]) -> None:
    bench = start_bench()
    client, board = Client(bench), BoardPort(bench.serial())
    client.get("/frame.png")
    done = threading.Event()

    def look() -> None:
        for _ in range(5):
            client.get("/frame.png?exposure_ms=400")
        done.set()

    thread = threading.Thread(target=look)
    thread.start()
    answers = 0
    while not done.is_set():
        board.status()
        answers += 1
    thread.join()
    assert answers > 20, "whoever waits for a picture is answered five times, and some"


def test_a_picture_is_of_its_mid_exposure(start_bench: Callable[..., Bench]) -> None:
    """Light switched on during the second half of an exposure is not in the picture."""
    bench = start_bench()
    client, board = Client(bench), BoardPort(bench.serial())
    board.ask("$X")
    dark = Image.open(io.BytesIO(client.get("/frame.png?exposure_ms=400")[2]))
    lit: list[datetime] = []

    def light() -> None:
        board.ask("M3 S1000")
        lit.append(datetime.now(UTC))

    for _ in range(20):  # until a busy machine lets it fall into the second half
        board.ask("M5")
        board_wait = threading.Timer(0.3, light)
        board_wait.start()
        _, headers, picture = client.get("/frame.png?exposure_ms=400")
        board_wait.join()
        late = Image.open(io.BytesIO(picture))
        if timedelta() < lit[-1] - middle(headers) < timedelta(milliseconds=200):
            break
    else:
        pytest.fail("never switched in the second half of an exposure")
    assert np.asarray(late, dtype=float).mean() == pytest.approx(np.asarray(dark, dtype=float).mean(), rel=0.02)


def test_faults(shared_bench: Bench, client: Client) -> None:
    shared_bench.fault("camera", "error", status=503)
    assert client.get("/frame.png")[0] == 503
    shared_bench.fault("camera", "garbage")
    with pytest.raises(OSError, match=r"cannot identify|broken|truncated"):
        Image.open(io.BytesIO(client.get("/frame.png")[2])).load()
    shared_bench.fault("camera", "no_time")
    assert client.get("/frame.png")[1]["X-Frame-Time"] is None
    first = client.get("/frame.png")
    shared_bench.fault("camera", "freeze")
    frozen = client.get("/frame.png")
    assert (frozen[1]["X-Frame-Time"], frozen[2]) == (first[1]["X-Frame-Time"], first[2])
    assert client.get("/frame.png")[1]["X-Frame-Time"] != first[1]["X-Frame-Time"]
    shared_bench.fault("camera", "late", s=0.4)
    began = time.monotonic()
    client.get("/frame.png")
    assert time.monotonic() - began >= 0.4
    shared_bench.fault("camera", "cut")
    with pytest.raises(http.client.IncompleteRead):
        client.get("/frame.png")


def test_unplugged_and_back_at_the_same_address(shared_bench: Bench, client: Client) -> None:
    assert client.get("/frame.png")[0] == 200
    shared_bench.fault("camera", "unplug")
    with pytest.raises((ConnectionError, http.client.HTTPException)):
        client.get("/frame.png")
    client.connection.close()
    with pytest.raises(ConnectionRefusedError):
        client.get("/frame.png")
    client.connection.close()
    shared_bench.fault("camera", "plug")
    assert client.get("/frame.png")[0] == 200
