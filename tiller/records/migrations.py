"""How the book's schema grew: each step brings a book of the one before up to date. Steps are added at the end, none is ever changed."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Mapping
from hashlib import sha256

Migration = tuple[str, Callable[[sqlite3.Connection], None]]


def _first_tables(db: sqlite3.Connection) -> None:
    for statement in (
        "CREATE TABLE bows (id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE, wood TEXT NOT NULL, description TEXT NOT NULL, created_at TEXT NOT NULL)",
        "CREATE TABLE sessions (id INTEGER PRIMARY KEY, bow_id INTEGER NOT NULL REFERENCES bows(id) ON DELETE RESTRICT, day TEXT NOT NULL, UNIQUE (bow_id, day))",
        "CREATE TABLE pulls (id INTEGER PRIMARY KEY, session_id INTEGER NOT NULL REFERENCES sessions(id) ON DELETE RESTRICT,"
        " fingerprint TEXT NOT NULL UNIQUE, recording TEXT NOT NULL, folder TEXT NOT NULL, taken_at TEXT NOT NULL)",
        "CREATE TABLE files (pull_id INTEGER NOT NULL REFERENCES pulls(id) ON DELETE CASCADE, name TEXT NOT NULL, sha256 TEXT NOT NULL, PRIMARY KEY (pull_id, name))",
        "CREATE TABLE results (id INTEGER PRIMARY KEY, pull_id INTEGER NOT NULL REFERENCES pulls(id) ON DELETE CASCADE, made_at TEXT NOT NULL,"
        " program TEXT NOT NULL, largest_draw_mm REAL NOT NULL, force_there_n REAL NOT NULL, lag_s REAL NOT NULL, lag_sd_s REAL NOT NULL,"
        " hysteresis REAL, balance REAL, balance_sd REAL, notes TEXT NOT NULL)",
        "CREATE TABLE force_draw (result_id INTEGER NOT NULL REFERENCES results(id) ON DELETE CASCADE, number INTEGER NOT NULL, file TEXT NOT NULL, branch TEXT NOT NULL,"
        " t_s REAL NOT NULL, draw_mm REAL, draw_sd_mm REAL, force_n REAL, force_sd_n REAL, held INTEGER NOT NULL, PRIMARY KEY (result_id, number))",
        "CREATE TABLE profiles (result_id INTEGER NOT NULL REFERENCES results(id) ON DELETE CASCADE, limb TEXT NOT NULL, number INTEGER NOT NULL, s_mm REAL NOT NULL,"
        " bend_per_m REAL, bend_sd REAL, stiffness_n_m2 REAL, stiffness_sd REAL, strain REAL, strain_sd REAL, departure REAL, departure_sd REAL,"
        " PRIMARY KEY (result_id, limb, number)) WITHOUT ROWID",
        "CREATE TABLE marks (result_id INTEGER NOT NULL REFERENCES results(id) ON DELETE CASCADE, limb TEXT NOT NULL, from_mm REAL NOT NULL, to_mm REAL NOT NULL,"
        " kind TEXT NOT NULL, departure REAL NOT NULL, sd REAL NOT NULL)",
        "CREATE INDEX pulls_of_session ON pulls (session_id)",
        "CREATE INDEX results_of_pull ON results (pull_id)",
        "CREATE INDEX marks_of_result ON marks (result_id)",
    ):
        db.execute(statement)


def _advice_and_rest(db: sqlite3.Connection) -> None:
    for statement in (
        "CREATE TABLE advice (result_id INTEGER PRIMARY KEY REFERENCES results(id) ON DELETE CASCADE, data TEXT NOT NULL)",
        "CREATE TABLE rest (result_id INTEGER NOT NULL REFERENCES results(id) ON DELETE CASCADE, limb TEXT NOT NULL, number INTEGER NOT NULL,"
        " s_mm REAL NOT NULL, x_mm REAL NOT NULL, y_mm REAL NOT NULL, PRIMARY KEY (result_id, limb, number)) WITHOUT ROWID",
    ):
        db.execute(statement)


def _known_by_its_pull(db: sqlite3.Connection) -> None:
    """A pull is known by pictures and force alone; where two entries are the same pull then, the later one keeps its own mark."""
    for (pull_id,) in db.execute("SELECT id FROM pulls ORDER BY id").fetchall():
        files = dict(db.execute("SELECT name, sha256 FROM files WHERE pull_id = ?", (pull_id,)).fetchall())
        db.execute("UPDATE OR IGNORE pulls SET fingerprint = ? WHERE id = ?", (fingerprint_of(files), pull_id))


def _scrapings(db: sqlite3.Connection) -> None:
    db.execute(
        "CREATE TABLE scrapings (id INTEGER PRIMARY KEY, pull_id INTEGER NOT NULL REFERENCES pulls(id) ON DELETE CASCADE, strokes INTEGER NOT NULL,"
        " planned_strokes INTEGER NOT NULL, at TEXT NOT NULL)"
    )
    db.execute("CREATE INDEX scrapings_of_pull ON scrapings (pull_id)")


def _scale_string_fate(db: sqlite3.Connection) -> None:
    """Where ``weighed`` is 0 the result's force and lag say nothing (they are kept as 0, since they must be numbers); the string
    that was on the bow, '' where it is not on record; what became of the bow, '' where nobody said."""
    db.execute("ALTER TABLE results ADD COLUMN weighed INTEGER NOT NULL DEFAULT 1")
    db.execute("ALTER TABLE results ADD COLUMN string_kind TEXT NOT NULL DEFAULT ''")
    db.execute("ALTER TABLE bows ADD COLUMN fate TEXT NOT NULL DEFAULT ''")


def _events(db: sqlite3.Connection) -> None:
    """What was done to a bow beside scraping: which limb and where, '' and NULL where all of it is meant."""
    db.execute(
        "CREATE TABLE events (id INTEGER PRIMARY KEY, bow_id INTEGER NOT NULL REFERENCES bows(id) ON DELETE CASCADE, kind TEXT NOT NULL, at TEXT NOT NULL,"
        " limb TEXT NOT NULL, from_mm REAL, to_mm REAL)"
    )
    db.execute("CREATE INDEX events_of_bow ON events (bow_id)")


def _alignments(db: sqlite3.Connection) -> None:
    """The bow seen from its belly: where the string crosses the handle (to the right of who holds it upright, its upper limb of that day up, mm), how far each nock is sideways,
    whether the bow was turned between the pictures; and the bends by heat that were proposed, NULL where none was."""
    db.execute(
        "CREATE TABLE alignments (id INTEGER PRIMARY KEY, bow_id INTEGER NOT NULL REFERENCES bows(id) ON DELETE CASCADE, at TEXT NOT NULL,"
        " upper_limb TEXT NOT NULL, offset_mm REAL NOT NULL, offset_sd_mm REAL NOT NULL, left_nock_mm REAL, left_nock_sd_mm REAL, right_nock_mm REAL, right_nock_sd_mm REAL,"
        " both_ways INTEGER NOT NULL, left_heat_at_mm REAL, left_heat_nock_mm REAL, right_heat_at_mm REAL, right_heat_nock_mm REAL)"
    )
    db.execute("CREATE INDEX alignments_of_bow ON alignments (bow_id)")


def _twists_and_staves(db: sqlite3.Connection) -> None:
    """Twist of a limb at its nock, by a pull's outlines (+: the belly turns towards the camera) and by winding sticks (+: to the right of who holds the bow upright);
    the hand shock that was felt ('' where nobody was asked), the bow's moisture that day as a share; the belly's edge that would bring the string over, and by how
    many mm of string for each mm off it. What was found of a log or stave before the rack: its kind and figures, and the picture it was read from."""
    db.execute(
        "CREATE TABLE twists (result_id INTEGER NOT NULL REFERENCES results(id) ON DELETE CASCADE, limb TEXT NOT NULL, rest_rad REAL NOT NULL,"
        " rest_sd_rad REAL NOT NULL, drawn_rad REAL NOT NULL, drawn_sd_rad REAL NOT NULL, from_mm REAL, from_sd_mm REAL, PRIMARY KEY (result_id, limb)) WITHOUT ROWID"
    )
    for side in ("left", "right"):
        db.execute(f"ALTER TABLE alignments ADD COLUMN {side}_twist_rad REAL")
        db.execute(f"ALTER TABLE alignments ADD COLUMN {side}_twist_sd_rad REAL")
    db.execute("ALTER TABLE alignments ADD COLUMN hand_shock TEXT NOT NULL DEFAULT ''")
    db.execute("ALTER TABLE alignments ADD COLUMN moisture REAL")
    db.execute("ALTER TABLE alignments ADD COLUMN edge_limb TEXT NOT NULL DEFAULT ''")
    db.execute("ALTER TABLE alignments ADD COLUMN edge_right INTEGER NOT NULL DEFAULT 0")
    db.execute("ALTER TABLE alignments ADD COLUMN edge_gain REAL")
    db.execute(
        "CREATE TABLE findings (id INTEGER PRIMARY KEY, stave TEXT NOT NULL, kind TEXT NOT NULL, at TEXT NOT NULL, figures TEXT NOT NULL, picture TEXT NOT NULL)"
    )
    db.execute("CREATE INDEX findings_of_stave ON findings (stave)")


MIGRATIONS: tuple[Migration, ...] = (
    ("first tables", _first_tables),
    ("advice and rest shapes", _advice_and_rest),
    ("pulls known by pictures and force", _known_by_its_pull),
    ("scrapings", _scrapings),
    ("pulls without a scale, strings, what became of bows", _scale_string_fate),
    ("what was done other than scraping", _events),
    ("the second view", _alignments),
    ("twist, hand shock, what was found of a stave", _twists_and_staves),
)
"""In order; the number of those that ran is the schema version (PRAGMA user_version)."""


def fingerprint_of(hashes: Mapping[str, str]) -> str:
    """What a pull is known by: its pictures and its force; bow.toml and rig.toml may be corrected afterwards."""
    hashes = {k: v for k, v in hashes.items() if not k.endswith(".toml")}
    return sha256("\n".join(f"{k} {v}" for k, v in sorted(hashes.items())).encode()).hexdigest()
