"""Backup, restore, merge, and books of older schemas (tests/shop/old: one as each schema left it)."""

from __future__ import annotations

import json
import sqlite3
import zipfile
from dataclasses import replace
from pathlib import Path

import pytest

from tiller.cli.entry import main
from tiller.errors import BookFault
from tiller.quantity import plain
from tiller.records.book import Book
from tiller.records.events import events_of
from tiller.records.migrations import MIGRATIONS
from tiller.records.safe import MANIFEST, Kept, back_up, merge, read_backup, restore

OLD = Path(__file__).parent / "old"


def book_of(path: Path, schema: int = len(MIGRATIONS)) -> Path:
    db = sqlite3.connect(path)
    db.executescript((OLD / f"book_v{schema}.sql").read_text())
    db.close()
    return path


def contents(path: Path) -> list[tuple[str, str, int, float]]:
    with Book(path) as book:
        return [(r.bow, r.recording, r.marks, r.largest_draw_mm) for r in book.pulls()]


@pytest.mark.parametrize("schema", range(1, len(MIGRATIONS) + 1))
def test_older_books_are_brought_up_to_date(tmp_path: Path, schema: int) -> None:
    path = book_of(tmp_path / "book.sqlite3", schema)
    assert contents(path) == [
        ("hedge bow", "rec1", 1, 401.0),
        ("hedge bow", "rec2", 1, 402.0),
        ("orchard bow", "rec3", 1, 403.0),
    ]
    with Book(path) as book:
        assert book.db.execute("PRAGMA user_version").fetchone()[0] == len(MIGRATIONS)
        pull = book.pull(2)
        assert len(pull.pictures) == 3
        assert len(pull.left.s_mm) == 4
        assert pull.advised == (schema >= 2)
        assert len(pull.scrapings) == (1 if schema >= 4 else 0)
        marks = {row["fingerprint"] for row in book.rows("SELECT fingerprint FROM pulls")}
        assert len(marks) == 3
        assert not any(m.startswith("old-mark") for m in marks)
    assert len(list(OLD.glob("*.sql"))) == len(MIGRATIONS), (
        "a new migration needs a book of its schema in tests/shop/old"
    )


def test_what_was_done_beside_scraping_is_noted_and_merged_once(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    ours, theirs = book_of(tmp_path / "ours.sqlite3"), book_of(tmp_path / "theirs.sqlite3")
    with Book(ours) as book:
        assert [plain(e.where) for e in events_of(book, "hedge bow")] == ["left limb 200 to 420 mm"]
        assert events_of(book, "orchard bow") == ()
    told = ["--book", str(theirs), "--on", "2026-02-01"]
    assert (
        main(["book", "event", "hedge bow", "warmed", "--limb", "right", "--from", "10in", "--to", "300", *told]) == 0
    )
    assert main(["book", "event", "orchard bow", "dried", *told]) == 0
    assert merge(ours, theirs).pulls == 0
    assert merge(ours, theirs).pulls == 0
    with Book(ours) as book:
        hedge, orchard = events_of(book, "hedge bow"), events_of(book, "orchard bow")
    assert [(e.kind, e.limb, e.from_mm) for e in hedge] == [("toasted", "left", 200.0), ("warmed", "right", 254.0)]
    assert [(e.kind, e.where) for e in orchard] == [("dried", "")]
    capsys.readouterr()
    for given, said in (
        (["hedge bow", "boiled"], "give one of toasted, warmed, dried"),
        (["no bow", "toasted"], "has no bow 'no bow'"),
        (["hedge bow", "toasted", "--limb", "upper"], "give left or right"),
        (["hedge bow", "toasted", "--from", "200", "--to", "300"], "needs its limb"),
        (["hedge bow", "toasted", "--limb", "left", "--from", "300", "--to", "200"], "lies further out"),
        (["hedge bow", "toasted", "--on", "2025-12-31"], "cannot be held against an earlier one"),
        (["hedge bow", "toasted", "--on", "2999-01-01"], "still to come"),
        (["hedge bow", "toasted", "--on", "yesterday"], "is no day"),
        (["hedge bow", "toasted", "--limb", "left", "--from", "200", "--to", "1600"], "beyond any limb's nock"),
        (["no bow", "forget"], "nothing noted of 'no bow'"),
    ):
        assert main(["book", "event", *given, "--book", str(ours)]) == 2
        assert said in capsys.readouterr().err
    with Book(ours) as book:
        assert len(events_of(book, "hedge bow")) == 2
    # the newest is taken back, and no other bow's
    assert main(["book", "event", "hedge bow", "forget", "--book", str(ours)]) == 0
    assert "'warmed and bent' of 2026-02-01" in capsys.readouterr().out
    with Book(ours) as book:
        assert [e.kind for e in events_of(book, "hedge bow")] == ["toasted"]
        assert [e.kind for e in events_of(book, "orchard bow")] == ["dried"]
    # a pull says what was done before it
    assert main(["book", "show", "1", "--book", str(ours)]) == 0
    said = capsys.readouterr().out
    assert "Before it: toasted, left limb 200 to 420 mm (2026-01-03 09:00)." in said
    assert "warmed" not in said


def test_a_backup_and_back(tmp_path: Path) -> None:
    path = book_of(tmp_path / "shop" / "book.sqlite3") if (tmp_path / "shop").mkdir() is None else tmp_path
    toml = tmp_path / "shop" / "bow.toml"
    toml.write_text('name = "hedge bow"\n')
    target = tmp_path / "away" / "shop.zip"
    kept = back_up(path, target, {"bows/hedge bow/bow.toml": toml})
    assert kept.rows["pulls"] == 3
    assert read_backup(target) == kept
    with pytest.raises(BookFault, match="never writes over"):
        back_up(path, target, {})
    home = tmp_path / "new"
    restore(target, home / "book.sqlite3", home)
    assert contents(home / "book.sqlite3") == contents(path)
    assert (home / "bows" / "hedge bow" / "bow.toml").read_text() == toml.read_text()
    with pytest.raises(BookFault, match="holds pulls already"):
        restore(target, home / "book.sqlite3", home)
    with Book(tmp_path / "empty" / "book.sqlite3"):
        pass
    restore(target, tmp_path / "empty" / "book.sqlite3", tmp_path / "empty")
    assert len(contents(tmp_path / "empty" / "book.sqlite3")) == 3


def test_what_is_no_good_backup_is_refused_and_nothing_changes(tmp_path: Path) -> None:
    path = book_of(tmp_path / "book.sqlite3")
    target = tmp_path / "shop.zip"
    back_up(path, target, {})
    data = target.read_bytes()
    spoilt = tmp_path / "spoilt.zip"
    for at in (len(data) // 3, len(data) // 2):
        spoilt.write_bytes(data[:at] + bytes([data[at] ^ 0xFF]) + data[at + 1 :])
        with pytest.raises(BookFault, match=r"damaged|no backup"):
            restore(spoilt, tmp_path / "n" / "book.sqlite3", tmp_path / "n")
    spoilt.write_bytes(data[: len(data) // 2])
    with pytest.raises(BookFault, match="no backup"):
        read_backup(spoilt)
    newer = tmp_path / "newer.zip"
    with zipfile.ZipFile(target) as old, zipfile.ZipFile(newer, "w") as new:
        for name in old.namelist():
            text = old.read(name)
            if name == MANIFEST:
                text = text.replace(b'"schema": %d' % len(MIGRATIONS), b'"schema": 99')
            new.writestr(name, text)
    with pytest.raises(BookFault, match="newer version"):
        restore(newer, tmp_path / "n" / "book.sqlite3", tmp_path / "n")
    with zipfile.ZipFile(tmp_path / "sly.zip", "w") as sly, zipfile.ZipFile(target) as old:
        for name in old.namelist():  # well packed, but not what the list says of it
            sly.writestr(name, old.read(name) + (b" " if name != MANIFEST else b""))
    with pytest.raises(BookFault, match="not what was written"):
        read_backup(tmp_path / "sly.zip")
    assert not (tmp_path / "n" / "book.sqlite3").exists()
    with pytest.raises(BookFault, match="no file"):
        read_backup(tmp_path / "none.zip")
    with pytest.raises(BookFault, match="nothing to back up"):
        back_up(tmp_path / "none.sqlite3", tmp_path / "x.zip", {})


def test_a_backup_that_does_not_read_back_is_not_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A disk that fails: what is read is not what was written."""
    path = book_of(tmp_path / "book.sqlite3")
    whole = read_backup

    def other(place: Path) -> Kept:
        return replace(whole(place), made_at="another time")

    monkeypatch.setattr("tiller.records.safe.read_backup", other)
    with pytest.raises(BookFault, match="did not read back"):
        back_up(path, tmp_path / "b.zip", {})
    assert not list(tmp_path.glob("b.zip*"))


def test_a_backup_writes_nothing_outside_its_place(tmp_path: Path) -> None:
    path = book_of(tmp_path / "book.sqlite3")
    (tmp_path / "evil.toml").write_text("from outside")
    back_up(path, tmp_path / "b.zip", {"../outside.toml": tmp_path / "evil.toml"})
    home = tmp_path / "deep" / "home"
    restore(tmp_path / "b.zip", home / "book.sqlite3", home)
    assert not (tmp_path / "deep" / "outside.toml").exists()
    assert len(contents(home / "book.sqlite3")) == 3


def test_two_books_are_put_together(tmp_path: Path) -> None:
    ours, theirs = book_of(tmp_path / "ours.sqlite3"), book_of(tmp_path / "theirs.sqlite3")
    with (
        Book(theirs) as book,
        book.writing() as db,
    ):  # a pull and a result that we lack, and a bow that was described anew there
        db.execute("INSERT INTO pulls VALUES (9, 1, 'mark-9', 'rec9', 'shop/rec9', '2026-01-09T09:00:00')")
        db.execute(
            "INSERT INTO results SELECT 9, 9, made_at, program, 555.0, force_there_n, lag_s, lag_sd_s, hysteresis, balance, balance_sd, notes, weighed, string_kind"
            " FROM results WHERE id = 1"
        )
        db.execute(
            "INSERT INTO results SELECT 10, 1, '2026-02-01T00:00:00', program, 444.0, force_there_n, lag_s, lag_sd_s, hysteresis, balance,"
            " balance_sd, notes, weighed, string_kind FROM results WHERE id = 1"
        )
        db.execute("INSERT INTO marks VALUES (9, 'right', 200.0, 260.0, 'stiff', 0.1, 0.02)")
        db.execute("UPDATE bows SET description = 'another' WHERE name = 'orchard bow'")
        db.execute("INSERT INTO pulls VALUES (11, 2, 'mark-11', 'rec11', 'shop/rec11', '2026-01-11T09:00:00')")
        db.execute(
            "INSERT INTO results SELECT 11, 11, made_at, program, 333.0, force_there_n, lag_s, lag_sd_s, hysteresis, balance, balance_sd, notes, weighed, string_kind"
            " FROM results WHERE id = 3"
        )
    before = theirs.read_bytes()
    done = merge(ours, theirs)
    assert (done.pulls, done.results, done.known) == (2, 3, 3)
    assert len(done.notes) == 1
    assert "'orchard bow' is described otherwise" in done.notes[0]
    told = contents(ours)
    assert ("hedge bow", "rec9", 1, 555.0) in told
    assert ("orchard bow (2)", "rec11", 0, 333.0) in told
    assert ("hedge bow", "rec1", 0, 444.0) in told  # the newer result counts, the older stays
    assert ("orchard bow", "rec3", 1, 403.0) in told
    again = merge(ours, theirs)
    assert (again.pulls, again.results, again.known) == (0, 0, 5)
    assert again.notes == ()  # nothing came in, nothing is to be said
    assert contents(ours) == told
    assert theirs.read_bytes() == before
    with Book(ours) as book:
        assert not book.db.execute("PRAGMA foreign_key_check").fetchall()


def test_a_bow_that_both_books_describe_is_one_bow_and_what_differs_is_said(tmp_path: Path) -> None:
    """Without a new pull too; a crown that one of them measured later makes no other bow, and is not lost."""
    ours, theirs = book_of(tmp_path / "ours.sqlite3"), book_of(tmp_path / "theirs.sqlite3")
    for path, crown, weight in ((ours, None, 150.0), (theirs, 80.0, 222.0)):
        with Book(path) as book, book.writing() as db:
            told = {"modulus_gpa": None, "crown_radius_mm": crown, "target": {"weight_n": weight, "draw_mm": 600.0}}
            db.execute("UPDATE bows SET description = ? WHERE name = 'hedge bow'", (json.dumps(told),))
    with Book(theirs) as book:
        book.set_fate("hedge bow", "chrysals")
    said = " ".join(merge(ours, theirs).notes)
    assert "target weight n 150 here and 222 there" in said
    assert "what became of the bow 'hedge bow': chrysals" in said
    with Book(ours) as book:
        (bow,) = [b for b in book.bows() if b.name.startswith("hedge bow")]
        kept = json.loads(bow.description)
    assert kept["crown_radius_mm"] == 80.0
    assert kept["target"] == {"weight_n": 150.0, "draw_mm": 600.0}
    with Book(theirs) as book, book.writing() as db:
        db.execute(
            "UPDATE bows SET description = ? WHERE name = 'hedge bow'", (json.dumps(kept | {"crown_radius_mm": 40.0}),)
        )
        db.execute("INSERT INTO pulls VALUES (9, 1, 'mark-9', 'rec9', 'shop/rec9', '2026-01-09T09:00:00')")
        row = db.execute("SELECT * FROM results WHERE id = 1").fetchone()
        db.execute(f"INSERT INTO results VALUES ({', '.join('?' * len(row))})", (9, 9, *row[2:]))
    assert "is described otherwise in both books" in " ".join(merge(ours, theirs).notes)
    assert ("hedge bow (2)", "rec9") in {(bow, recording) for bow, recording, _, _ in contents(ours)}


def test_an_older_result_stays_behind_a_newer_one_and_twins_are_kept(tmp_path: Path) -> None:
    ours, theirs = book_of(tmp_path / "ours.sqlite3"), book_of(tmp_path / "theirs.sqlite3")
    with Book(theirs) as book, book.writing() as db:
        db.execute("UPDATE results SET made_at = '2025-12-01T00:00:00', largest_draw_mm = 111.0 WHERE id = 1")
        db.execute("INSERT INTO pulls VALUES (9, 1, 'mark-9', 'rec9', 'shop/rec9', '2026-01-09T09:00:00')")
        for k in (21, 22):  # two of the same second, and two scrapings that are alike
            row = db.execute("SELECT * FROM results WHERE id = 2").fetchone()
            db.execute(
                f"INSERT INTO results VALUES ({', '.join('?' * len(row))})", (k, 9, *row[2:4], 500.0 + k, *row[5:])
            )
            db.execute("INSERT INTO scrapings VALUES (?, 9, 12, 14, '2026-01-09T12:00:00')", (k,))
        db.execute("UPDATE bows SET fate = 'whole' WHERE id = 1")
        db.execute("UPDATE bows SET description = '{\"moisture_percent\": 9.0}' WHERE id = 2")
    with Book(ours) as book, book.writing() as db:
        db.execute("UPDATE bows SET description = '{\"moisture_percent\": 11.0}' WHERE id = 2")
    done = merge(ours, theirs)
    assert (done.pulls, done.results) == (1, 3)
    told = contents(ours)
    assert ("hedge bow", "rec1", 1, 401.0) in told  # made later than theirs
    with Book(ours) as book:
        new = book.rows("SELECT id FROM pulls WHERE recording = 'rec9'")[0]["id"]
        assert len(book.rows("SELECT id FROM results WHERE pull_id = ?", (new,))) == 2
        assert len(book.pull(new).scrapings) == 2
        assert {b.name: b.fate for b in book.bows()} == {
            "hedge bow": "whole",
            "orchard bow": "",
        }  # moisture makes no other bow
    assert merge(ours, theirs).results == 0
    with Book(theirs) as book:
        book.set_fate("hedge bow", "broken")
    assert any("the worse of both" in text for text in merge(ours, theirs).notes)
    with Book(ours) as book:
        assert {b.name: b.fate for b in book.bows()}["hedge bow"] == "broken"


def test_a_restore_that_failed_can_be_done_again_and_a_backup_merged(tmp_path: Path) -> None:
    path = book_of(tmp_path / "book.sqlite3")
    (tmp_path / "bow.toml").write_text("name = 'x'\n")
    back_up(path, tmp_path / "b.zip", {"bows/hedge/bow.toml": tmp_path / "bow.toml"})
    home = tmp_path / "home"
    home.mkdir()
    (home / "bows").write_text("a file where a folder should be")
    with pytest.raises(BookFault, match="restore it again"):
        restore(tmp_path / "b.zip", home / "book.sqlite3", home)
    assert not (home / "book.sqlite3").exists()
    (home / "bows").unlink()
    _, left = restore(tmp_path / "b.zip", home / "book.sqlite3", home)
    assert left == ()
    assert (home / "bows" / "hedge" / "bow.toml").read_text() == "name = 'x'\n"
    assert not list(home.rglob("*.part"))
    (home / "bows" / "hedge" / "bow.toml").write_text("name = 'mine'\n")
    _, left = restore(tmp_path / "b.zip", tmp_path / "other.sqlite3", home)
    assert left == ("bows/hedge/bow.toml",)
    assert (home / "bows" / "hedge" / "bow.toml").read_text() == "name = 'mine'\n"
    fresh = tmp_path / "fresh.sqlite3"
    with Book(fresh):
        pass
    assert merge(fresh, tmp_path / "b.zip").pulls == 3
    with pytest.raises(BookFault, match="tiller book merge"):
        restore(tmp_path / "b.zip", fresh, home)


def test_what_became_of_a_bow(tmp_path: Path) -> None:
    path = book_of(tmp_path / "book.sqlite3")
    for fate in ("broken", "whole"):
        assert main(["book", "fate", "hedge bow", fate, "--book", str(path)]) == 0
    with Book(path) as book:
        assert [b.fate for b in book.bows() if b.name == "hedge bow"] == ["whole"]
    assert main(["book", "fate", "no bow", "whole", "--book", str(path)]) == 2
    assert main(["book", "fate", "hedge bow", "sold", "--book", str(path)]) == 2


def test_a_merge_that_fails_changes_nothing(tmp_path: Path) -> None:
    ours = book_of(tmp_path / "ours.sqlite3")
    (tmp_path / "junk").write_bytes(b"no database at all" * 100)
    other = sqlite3.connect(tmp_path / "other.sqlite3")
    other.execute("PRAGMA application_id = 77")
    other.execute("CREATE TABLE t (x)")
    other.close()
    told = contents(ours)
    for name, said in (("junk", "cannot be read"), ("other.sqlite3", "another program"), ("none", "no book")):
        with pytest.raises(BookFault, match=said):
            merge(ours, tmp_path / name)
    assert contents(ours) == told


def test_the_commands(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    monkeypatch.setenv("TILLER_HOME", str(tmp_path / "home"))
    (tmp_path / "home" / "bows" / "hedge").mkdir(parents=True)
    (tmp_path / "home" / "bows" / "hedge" / "bow.toml").write_text("name = 'x'\n")
    book_of(tmp_path / "home" / "book.sqlite3")
    assert main(["book", "backup", str(tmp_path / "b.zip")]) == 0
    assert "3 pulls" in capsys.readouterr().out
    monkeypatch.setenv("TILLER_HOME", str(tmp_path / "fresh"))
    assert main(["book", "restore", str(tmp_path / "b.zip")]) == 0
    assert (tmp_path / "fresh" / "bows" / "hedge" / "bow.toml").is_file()
    assert main(["book", "merge", str(tmp_path / "home" / "book.sqlite3")]) == 0
    assert "3 pull(s) were there already" in capsys.readouterr().out
    assert main(["book", "restore", str(tmp_path / "b.zip")]) == 2
    assert main(["book", "export", str(tmp_path / "out")]) == 0
    assert (tmp_path / "out" / "pull-1" / "pull.json").is_file()


def test_ten_thousand_pulls(tmp_path: Path) -> None:
    """List in 50 ms, a bow in 150 ms, two pulls in 100 ms: as times of a plain read of as many rows, measured in the same run."""
    import time

    path = book_of(tmp_path / "book.sqlite3")
    with Book(path) as book, book.writing() as db:
        db.executemany("INSERT INTO bows VALUES (?, ?, 'oak', '{}', '', '')", [(k, f"bow {k}") for k in range(10, 110)])
        db.executemany("INSERT INTO sessions VALUES (?, ?, ?)", [(k, 10 + k % 100, f"d{k}") for k in range(10, 2010)])
        many = range(100, 10_100)
        db.executemany(
            "INSERT INTO pulls VALUES (?, ?, ?, 'r', 'f', ?)",
            [(k, 10 + k % 2000, f"m{k}", f"2026-{k:06d}") for k in many],
        )
        db.executemany(
            "INSERT INTO results VALUES (?, ?, '', '', 400.0, 100.0, 0.1, 0.1, NULL, NULL, NULL, '[]', 1, '')",
            [(k, k) for k in many],
        )
        db.executemany("INSERT INTO marks VALUES (?, 'left', 1.0, 2.0, 'weak', 0.1, 0.02)", [(k,) for k in many])
        full = [k for k in many if k % 100 == 20 or k == 200]  # those that are opened have all that a measured pull has
        limbs = [(k, side, n) for k in full for side in ("left", "right") for n in range(150)]
        db.executemany(
            "INSERT INTO profiles VALUES (?, ?, ?, 5.0, 0.1, 0.1, 90.0, 1.0, 0.005, 0.0001, 0.01, 0.02)", limbs
        )
        db.executemany("INSERT INTO rest VALUES (?, ?, ?, 5.0, 5.0, 20.0)", limbs)
        pictures = [(k, n) for k in full for n in range(20)]
        db.executemany("INSERT INTO force_draw VALUES (?, ?, 'f', 'up', 1.0, 200.0, 0.5, 50.0, 0.2, 1)", pictures)
        db.executemany("INSERT INTO advice VALUES (?, ?)", [(k, '{"note": "' + 4000 * "x" + '"}') for k in full])

    def quickest(work: object, times: int = 5) -> float:
        best = 9.0
        for _ in range(times):
            begun = time.perf_counter()
            work()  # type: ignore[operator]
            best = min(best, time.perf_counter() - begun)
        return best

    with Book(path) as book:
        assert len(book.pulls()) == 10_003
        listing = quickest(book.pulls)
        opening = quickest(lambda: [book.pulls("bow 40"), book.pull(book.pulls("bow 40")[-1].pull_id)])
        plain = quickest(lambda: book.rows("SELECT p.*, r.* FROM pulls p JOIN results r ON r.pull_id = p.id"))
        assert len(book.pull(200).left.s_mm) == 150
        assert len(book.pull(book.pulls("bow 40")[-1].pull_id).left.s_mm) == 150
        comparing = quickest(lambda: [book.pull(200), book.pull(120)])
    print(
        f"list {1e3 * listing:.0f} ms, bow {1e3 * opening:.0f} ms, compare {1e3 * comparing:.1f} ms, plain read {1e3 * plain:.0f} ms"
    )
    assert listing < 4 * plain
    assert opening < 4 * plain
    assert comparing < plain
