"""The benchmarks' own arithmetic by hand-made cases, and every part once in a tiny form. Ratios are held to be sane;
no time is held to anything, as machines are busy with other things."""

from __future__ import annotations

import asyncio
import json
import math
from itertools import pairwise
from pathlib import Path

import pytest

import bench_all
import bench_edges
import bench_latency
import bench_modbus
import bench_start
import bench_sweep
from bench_figure import Figure, keep, machine, quantile
from bench_floor import BITS_A_BYTE, PICTURE, Hardware, floor_of, trapezoid_s
from bench_journal import Chunk, answered, lines, motions, read, requests

WIRE_S = 0.0005
"""The simulated wires deliver by so much before their time."""

HARDWARE = Hardware(acceleration_um_s2=20_000.0, settle_s=0.15, baud=115_200, fetch_s=0.001)


def test_trapezoid_is_simple_kinematics() -> None:
    # 4000 um/s at 20000 um/s2: ramps of 0.2 s and 400 um each; 100 um never reach that speed: 2 sqrt(100 / 20000).
    assert trapezoid_s(10_000.0, 4000.0, 20_000.0) == pytest.approx(0.4 + 9200.0 / 4000.0)
    assert trapezoid_s(100.0, 4000.0, 20_000.0) == pytest.approx(2.0 * math.sqrt(100.0 / 20_000.0))
    assert trapezoid_s(800.0, 4000.0, 20_000.0) == pytest.approx(0.4)  # the two agree where they meet
    assert trapezoid_s(0.0, 4000.0, 20_000.0) == 0.0


def board(t: float, data: bytes, direction: str = "in") -> Chunk:
    return Chunk(t, "board", direction, data)


def picture(t: float, took_s: float) -> list[Chunk]:
    return [Chunk(t, "camera", "in", b"/frame.png"), Chunk(t + took_s, "camera", "out", b"/frame.png")]


SEEN = [
    board(0.0, b"G53 G21 G90 G1 Z1.0000 F240.00\n"),
    board(0.1, b"<Idle|MPos:0.000,0.000,1.000|FS:0,1000>\r\n", "out"),  # 41 bytes
    board(1.0, b"G53 G21 G90 G1 Z0.9000 F240.00\n?"),  # 31 bytes, a real-time byte behind them
    board(1.001, b"<Idle|MPos:0.000,0.000,1.000|FS:0,1000>\r\n", "out"),  # asked before the move: not its end
    board(1.15, b"<Idle|MPos:0.000,0.000,0.900|FS:0,1000>\r\n", "out"),
    board(1.2, b"<Idle|MPos:0.000,0.000,0.900|FS:0,1000|Ov:100,100,100>\r\n", "out"),  # asked for no need
    board(2.0, b"?G53 G21 G90 G1 Z1."),
    board(2.001, b"?1000 F240.00\n"),  # in two pieces, real-time bytes before and between
    board(2.3, b"<Idle|MPos:0.000,0.000,1.100|FS:0,1000|Ov:100,100,100>\r\n", "out"),  # 56 bytes
    Chunk(2.5, "counter", "in", b"P?\n"),
    Chunk(2.6, "counter", "out", b"P=+001100.00\r\n"),  # 14 bytes
    *picture(3.0, 0.03),
    *picture(3.5, 0.04),  # the same place once more: no new station
    board(4.0, b"G53 G21 G90 G1 Z1.2000 F240.00\n"),
    board(4.1, b"M3 S500\n"),  # a light is no move
    board(4.2, b"<Idle|MPos:0.000,0.000,1.200|FS:0,1000>\r\n", "out"),
]


def test_moves_are_read_through_real_time_bytes_and_split_frames() -> None:
    found = motions(SEEN, 1000.0)
    assert [(round(m.distance_um), round(m.speed_um_s)) for m in found] == [(100, 4000), (200, 4000), (100, 4000)]
    assert [m.t for m in found] == [1.0, 2.001, 4.0]
    assert [line.text for line in lines(SEEN)][-1] == b"M3 S500"


def test_floor_counts_what_a_measurement_needs_and_no_more() -> None:
    floor = floor_of(SEEN, 0.5, 5.0, HARDWARE)
    a = HARDWARE.acceleration_um_s2
    assert (floor.moves, floor.stations, floor.pictures) == (3, 2, 1)
    assert floor.motion_s == pytest.approx(2.0 * (2.0 * math.sqrt(100.0 / a) + math.sqrt(200.0 / a)))
    assert floor.settling_s == pytest.approx(2 * 0.15)
    assert floor.pictures_s == pytest.approx((0.03 + 0.001) + (0.04 + 0.001))
    # Three lines of 31 bytes, their reports of 41, 56 and 41 with the byte that asks, and the encoder (3 + 14 bytes)
    # before and after one station. The first move is a back-off: only the reports of the others pass in a settling.
    assert floor.wire_s == pytest.approx((3 * 31 + 42 + 57 + 42 + 2 * 17) * 10 / 115_200)
    assert floor.hidden_s == pytest.approx((57 + 42) * 10 / 115_200)
    assert floor.total_s == pytest.approx(floor.motion_s + floor.settling_s + floor.pictures_s + floor.wire_s)


def test_a_figure_knows_whether_it_is_met(tmp_path: Path) -> None:
    figures = [
        Figure("x", "slow", 1.2, "", most=1.05),
        Figure("x", "fast", 1.0, "", least=1.0),
        Figure("x", "told", 7.0, "ms"),
    ]
    assert [one.met for one in figures] == [False, True, None]
    keep(figures, {"before": machine()}, tmp_path / "figures.json")
    kept = json.loads((tmp_path / "figures.json").read_text())
    assert [row["met"] for row in kept["figures"]] == [False, True, None]
    assert kept["figures"][0]["command"] == "scripts/bench --only x"
    assert kept["before"]["cores"] >= 1


def test_quantile_is_one_of_the_values() -> None:
    values = [float(n) for n in range(1, 101)]
    assert (quantile(values, 0.5), quantile(values, 0.99), quantile([3.0], 0.99)) == (50.0, 99.0, 3.0)
    with pytest.raises(ValueError, match="no values"):
        quantile([], 0.5)


def named(figures: list[Figure]) -> dict[str, Figure]:
    assert all(math.isfinite(one.value) for one in figures)
    return {one.name: one for one in figures}


@pytest.mark.stack
def test_a_sweep_is_never_faster_than_motion_settling_and_pictures(tmp_path: Path) -> None:
    found = named(bench_sweep.measure(sweeps=1, repeats=1, folder=tmp_path))
    # Of the floor the bytes, some 3 in 100, may pass while the carriage settles; nothing else may. How much longer it
    # takes is this machine's.
    assert found["wall time over floor"].value > 0.96
    chunks = read(tmp_path / "journal.txt")
    assert {chunk.port for chunk in chunks} >= {"board", "counter", "camera"}
    assert all(before.t <= after.t for before, after in pairwise(chunks))
    _settled_and_placed(chunks)


def _settled_and_placed(chunks: list[Chunk]) -> None:
    """Whatever is done at the same time: no picture before the carriage has settled, none without its place."""
    settle_s, baud, a = 0.15, 115_200, HARDWARE.acceleration_um_s2  # as the bench file and the board have them
    moves = motions(chunks, 1000.0)
    places = requests_to(chunks, "counter")
    asked = [ask for ask in answered(chunks, PICTURE) if ask.t > moves[0].t]
    came_by = [[one for one in moves if one.t < ask.t][-1] for ask in asked]
    first, last = came_by[0].t, next(m.t for m in came_by if came_by.count(m) > bench_sweep.FETCHES)
    # At the first place light is looked at, at the last one bare fetches follow, and then the replay.
    taken = [(ask, move) for ask, move in zip(asked, came_by, strict=True) if first < move.t < last]
    assert len(taken) >= 5 + 16 - 1, "of a look and a pass all but the first"
    for ask, move in taken:
        stands = move.t + (len(move.text) + 1) * BITS_A_BYTE / baud
        stands += trapezoid_s(max(move.distance_um - 0.5, 0.0), move.speed_um_s, a)  # half a step less, at most
        assert ask.t >= stands + settle_s - WIRE_S
        next_move = min((one.t for one in moves if one.t > ask.t), default=math.inf)
        if next_move < min((one for one in requests(chunks, PICTURE) if one > ask.t), default=math.inf):
            answer = ask.t + ask.took_s
            assert any(stands + settle_s - WIRE_S <= t <= answer for t in places), "no place before the picture"
            assert any(answer <= t <= next_move for t in places), "no place after the picture"


def requests_to(chunks: list[Chunk], port: str) -> list[float]:
    return [chunk.t for chunk in chunks if chunk.port == port and chunk.direction == "in"]


@pytest.fixture(scope="module")
def commanded() -> tuple[bench_latency.Told, list[Chunk]]:
    """Lights, stops and moves by message, and what went over the cables."""
    return asyncio.run(bench_latency._measure(lights=6, stops=4, moves=8))


@pytest.mark.stack
def test_every_command_reaches_the_port(commanded: tuple[bench_latency.Told, list[Chunk]]) -> None:
    found = named(bench_latency.figures_of(*commanded))
    assert found["bare echo, p99"].value >= found["bare echo, p50"].value > 0.0
    for verb, count in (("stop", 4), ("light", 6), ("move", 8)):
        figure = found[f"{verb} to first byte, p99 over echo p99"]
        assert figure.value > 0.0
        assert f"of {count}" in figure.note, figure.note  # none was lost
        assert figure.most == 2.0, "whatever a command asks for, its latency is held to twice an echo's"
        assert figure.met is not None
    flooded = found["stop to first byte in a flood, p99"]
    assert (flooded.value > 0.0, flooded.most, flooded.note[:4]) == (True, 20.0, "of 2")


@pytest.mark.stack
def test_a_step_from_rest_is_sent_without_asking_where_that_is(
    commanded: tuple[bench_latency.Told, list[Chunk]],
) -> None:
    told, chunks = commanded
    asked = requests_to(chunks, "counter")
    sent = [line.t for line in lines(chunks) if line.text.startswith(b"G53")]
    between = [
        any(published <= ask <= min(t for t in sent if t > published) for ask in asked)
        for published in told.published["move"]
    ]
    assert len(between) == 8
    assert sum(between) < 4, "the watch at rest asks now and then, and that alone may fall in between"


def test_a_stop_is_found_on_its_line_and_the_exchange_before_it_is_told() -> None:
    status, stop = b"\x11\x04\x00\x00\x00\x03", b"\x11\x06\x00\x03\x00\x02"
    chunks = [
        Chunk(0.000, "drive", "in", status),
        Chunk(0.010, "drive", "out", b"a status"),
        Chunk(0.012, "drive_tcp", "in", stop),  # another line's
        Chunk(0.013, "drive", "in", stop),
        Chunk(0.025, "drive", "out", stop),
        Chunk(1.004, "drive", "in", stop),
    ]
    (figure,) = bench_modbus.figures_of("RTU at 19200 baud", [0.001, 1.0, 2.0], chunks)
    assert figure.value == pytest.approx(12.0)
    assert figure.met is True
    assert figure.note.startswith("p50 4.0 ms, greatest 12.0 ms of 2; 1 not seen; a question and its answer take 10.0")


@pytest.mark.stack
def test_starts_are_timed_and_weighed() -> None:
    found = named(bench_start.measure(helps=1, starts=1, rest_s=0.5))
    assert 5.0 < found["broker resident"].value < found["daemon resident, idle"].value < 1000.0
    assert found["worker resident, after a sweep"].value > 20.0
    assert 0.0 <= found["daemon on a core, idle"].value <= 400.0
    assert 0.0 < found["benchd --help"].value < found["daemon ready"].value


def test_edges_are_counted() -> None:
    found = named(bench_edges.measure(rounds=2, times=1))
    frames, regions = found["frames a second over 60"].value, found["edge regions a second"].value
    assert regions == pytest.approx(frames * 60 * 9)


def test_every_part_can_be_asked_for_alone() -> None:
    assert set(bench_all.PARTS) == {"start", "edges", "latency", "crowd", "modbus", "sweep", "continuous"}
