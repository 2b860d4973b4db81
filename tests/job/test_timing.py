"""Time with acceleration: closed forms, corners, arcs, and memory let go unnoticed."""

from __future__ import annotations

import math
import random

import pytest

from pitwise.job import timing
from pitwise.job.model import ReaderSettings
from pitwise.job.reader import read_program
from pitwise.job.timing import Planner, corner_radius, profile_seconds


def seconds(*moves: str, accel: float = 500.0, tolerance: float = 0.1, feed: float = 3000) -> float:
    got = read_program(
        ["M3", f"F{feed}", *moves, "M5", "M2"],
        ReaderSettings(accel_mm_s2=accel, corner_tolerance_mm=tolerance),
    )
    return got.arc_minutes * 60


def alone(length: float, speed: float = 50.0, accel: float = 500.0) -> float:
    return profile_seconds(length, 0, 0, speed, accel)


def test_one_move_is_the_closed_form() -> None:
    assert seconds("G1 X100") == alone(100)
    assert seconds("G1 X2") == alone(2)


def test_straight_back_stops() -> None:
    assert seconds("G1 X100", "X0") == pytest.approx(2 * alone(100), rel=1e-14)


def test_tolerance_zero_and_exact_path_stop_at_corners() -> None:
    stopped = 2 * alone(100)
    assert seconds("G1 X100", "Y100", tolerance=0) == pytest.approx(stopped, rel=1e-14)
    assert seconds("G61 G1 X100", "Y100") == pytest.approx(stopped, rel=1e-14)
    assert seconds("G61 G1 X100", "G64 Y100") == pytest.approx(stopped, rel=1e-14)
    assert seconds("G1 X100", "Y100") < stopped


def test_a_right_angle_by_hand() -> None:
    radius = 0.1 * math.cos(math.pi / 4) / (1 - math.cos(math.pi / 4))
    assert corner_radius(math.sin(math.pi / 4), 100, 0.1) == pytest.approx(radius, rel=1e-13)
    corner = math.sqrt(500 * radius)
    one = profile_seconds(100, 0, corner, 50, 500)
    assert seconds("G1 X100", "Y100") == pytest.approx(2 * one, rel=1e-12)


def test_the_rounding_circle_touches_both_moves_and_keeps_the_tolerance() -> None:
    for degrees in (5, 45, 90, 135, 170):
        half = math.radians(degrees) / 2
        radius = corner_radius(math.sin(half), 1e9, 0.2)
        # The circle's centre lies R / cos(θ/2) from the corner.
        assert radius / math.cos(half) - radius == pytest.approx(0.2, rel=1e-9)


def test_an_arc_is_no_faster_than_its_radius_allows() -> None:
    got = seconds("G3 I2", accel=100)
    top = math.sqrt(100 * 2)
    assert got == pytest.approx(profile_seconds(4 * math.pi, 0, 0, top, 100), rel=1e-12)


def test_an_arc_cut_as_chords_is_as_slow_as_the_arc() -> None:
    points = [
        (5 * math.sin(a), 5 - 5 * math.cos(a))
        for a in (2 * math.pi * k / 720 for k in range(1, 721))
    ]
    chords = seconds(*(f"G1 X{x:.9f} Y{y:.9f}" for x, y in points), accel=100)
    assert chords == pytest.approx(seconds("G3 J5", accel=100), rel=2e-3)


def test_a_dwell_and_a_stop_break_the_chain() -> None:
    assert seconds("G1 X50", "G4 P1", "X100") == pytest.approx(2 * alone(50) + 1)
    assert seconds("G1 X50", "M1", "X100") == pytest.approx(2 * alone(50))


def test_a_slower_feed_ahead_is_braked_for() -> None:
    got = seconds("G1 X50", "X100 F600")
    wanted = profile_seconds(50, 0, 10, 50, 500) + profile_seconds(50, 10, 0, 10, 500)
    assert got == pytest.approx(wanted, rel=1e-13)


def test_rapids_with_acceleration_go_from_rest_to_rest() -> None:
    got = read_program(
        ["G0 X100", "X200", "M2"], ReaderSettings(accel_mm_s2=500, rapid_mm_min=3000)
    )
    assert got.rapid_minutes * 60 == pytest.approx(2 * alone(100), rel=1e-14)


def test_a_long_chain_in_chunks_takes_the_same_time(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = random.Random(3)
    moves = [(rng.uniform(0.01, 3), rng.uniform(5, 60), rng.uniform(0, 6.3)) for _ in range(3000)]

    def run() -> tuple[float, int]:
        planner = Planner(300, 0.1)
        most = 0
        for length, speed, angle in moves:
            planner.line(length, speed, math.cos(angle), math.sin(angle), 0)
            most = max(most, len(planner._lengths))
        return planner.finish(), most

    whole, held = run()
    assert held == len(moves)
    monkeypatch.setattr(timing, "_CHUNK", 100)
    pieces, held = run()
    assert held <= 100
    assert pieces == pytest.approx(whole, rel=1e-12)


def test_a_braking_distance_longer_than_a_chunk(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(timing, "_CHUNK", 4)
    planner = Planner(1.0, 10.0)
    for k in range(200):
        planner.line(0.01, 100.0, math.cos(k * 1e-5), math.sin(k * 1e-5), 0)
    # Never reaches the feed: a triangle over the whole length.
    assert planner.finish() == pytest.approx(2 * math.sqrt(2.0 / 1.0), rel=1e-9)
