"""Signing an inspection, beside a bare SQLite commit of as many bytes, equally durable."""

from __future__ import annotations

import os
import sqlite3
import statistics
import time
from contextlib import closing
from pathlib import Path

from benchmarks.floor import Floor, finished_draft, furnish, key
from benchmarks.result import Result, Spread
from pitwise.services import signing

GOAL = 5.0
ROUNDS = 80
MEASURED = 12
WARM_UP = 5


def _open_peer(file: Path) -> sqlite3.Connection:
    connection = sqlite3.connect(file, isolation_level=None)
    connection.execute("PRAGMA journal_mode=WAL")
    connection.execute("PRAGMA synchronous=FULL")
    connection.execute("CREATE TABLE kept (number INTEGER PRIMARY KEY, bytes BLOB NOT NULL)")
    return connection


def _commit(connection: sqlite3.Connection, content: bytes) -> float:
    start = time.perf_counter()
    connection.execute("BEGIN IMMEDIATE")
    connection.execute("INSERT INTO kept (bytes) VALUES (?)", (content,))
    connection.execute("COMMIT")
    return time.perf_counter() - start


def _sign(floor: Floor, turn: int) -> float:
    actor = floor.technicians[0][1]
    number = finished_draft(floor, actor, floor.torches[turn % len(floor.torches)])
    token = key()
    start = time.perf_counter()
    signing.sign(floor.shop, actor, number, key=token)
    return time.perf_counter() - start


def _log_bytes(file: Path) -> int:
    log = file.with_name(f"{file.name}-wal")
    return log.stat().st_size


def _written(floor: Floor) -> tuple[int, int]:
    """Bytes one signature writes to the log, and bytes the record's own text has (medians).

    The log is emptied before each, so its size after is what that one commit wrote.
    """
    actor = floor.technicians[0][1]
    logged, texts = [], []
    with closing(sqlite3.connect(floor.file, isolation_level=None)) as side:
        for turn in range(MEASURED):
            number = finished_draft(floor, actor, floor.torches[turn % len(floor.torches)])
            side.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
            before = _log_bytes(floor.file)
            signing.sign(floor.shop, actor, number, key=key())
            logged.append(_log_bytes(floor.file) - before)
            row = side.execute(
                "SELECT length(CAST(record AS BLOB)) FROM inspection WHERE id = ?", (number,)
            ).fetchone()
            texts.append(int(row[0]))
    return int(statistics.median(logged)), int(statistics.median(texts))


def _content_for(peer: sqlite3.Connection, file: Path, logged: int) -> int:
    """Size of a row whose commit writes as many bytes to the log as one signature."""
    size = logged
    for _ in range(6):
        peer.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
        before = _log_bytes(file)
        _commit(peer, os.urandom(size))
        size = max(1, size + logged - (_log_bytes(file) - before))
    return size


def run(folder: Path) -> Result:
    floor = furnish(folder, technicians=1, torches=4)
    file = folder / "peer.db"
    try:
        with closing(_open_peer(file)) as peer:
            for turn in range(WARM_UP):
                _sign(floor, turn)
            logged, text = _written(floor)
            size = _content_for(peer, file, logged)
            ours, same_log, same_text = [], [], []
            for turn in range(ROUNDS):
                # Taking turns, so that a slow spell of the disk falls on all of them.
                ours.append(_sign(floor, turn))
                same_log.append(_commit(peer, os.urandom(size)))
                same_text.append(_commit(peer, os.urandom(text)))
    finally:
        floor.shop.close()
    mine, theirs = Spread.of(ours), Spread.of(same_log)
    small = Spread.of([a / b for a, b in zip(ours, same_text, strict=True)])
    return Result(
        "sign",
        "services.signing.sign on a SQLite book (WAL, synchronous=FULL)",
        "a bare sqlite3 commit (WAL, synchronous=FULL) writing as many bytes to the log",
        Spread.of([a / b for a, b in zip(ours, same_log, strict=True)]),
        GOAL,
        figures={
            "bytes to the log": f"{logged:,} (record text {text:,})",
            "sign, ms": Spread(*(1e3 * x for x in (mine.low, mine.median, mine.high))).words(".2f"),
            "bare commit, ms": Spread(
                *(1e3 * x for x in (theirs.low, theirs.median, theirs.high))
            ).words(".2f"),
            "of record text alone": f"{small.words('.2f')} times as long",
        },
        raw={
            "log_bytes": logged,
            "record_bytes": text,
            "sign_ms": 1e3 * mine.median,
            "peer_ms": 1e3 * theirs.median,
            "ratio_record_text_alone": small.median,
        },
    )
