"""The commands about the shop's book: ``tiller book ...``."""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tiller.cli.arguments import length, whole
from tiller.writable import add_outputs

if TYPE_CHECKING:
    from tiller.records.lessons import Taught


def add_commands(commands: Any, shown: argparse.ArgumentParser, booked: argparse.ArgumentParser) -> None:
    """Adds them to the parser's sub-commands."""
    book = commands.add_parser(
        "book",
        help="list, show and export what the shop's book holds",
        description="Lists, shows and exports what the shop's book holds.",
    )
    actions = book.add_subparsers(dest="action", metavar="ACTION", required=True)
    listing = actions.add_parser("list", parents=[shown, booked], help="all pulls")
    listing.add_argument("--bow", help="only this bow's")
    listing.set_defaults(run=run_list)
    show = actions.add_parser("show", parents=[shown, booked], help="one pull")
    show.add_argument("pull", type=whole, metavar="PULL", help="its number")
    show.set_defaults(run=run_show)
    export = actions.add_parser("export", parents=[booked], help="write pulls as CSV (units in the header) and JSON")
    export.add_argument("folder", metavar="FOLDER", help="where to")
    export.add_argument("--pull", type=whole, help="only this pull")
    add_outputs(export, "folder")
    export.set_defaults(run=run_export)
    backup = actions.add_parser(
        "backup", parents=[booked], help="one file with the whole book, read back before it is called good"
    )
    backup.add_argument("file", metavar="FILE", help="a new file, such as shop-2026-11.zip")
    backup.set_defaults(run=run_backup)
    check = actions.add_parser(
        "check", parents=[booked], help="is the book's file sound, and are the recordings there?"
    )
    check.set_defaults(run=run_check)
    restore = actions.add_parser("restore", parents=[booked], help="a backup into an empty book")
    restore.add_argument("file", metavar="FILE")
    restore.set_defaults(run=run_restore)
    merge = actions.add_parser("merge", parents=[booked], help="the pulls of another book into this one")
    merge.add_argument("other", metavar="BOOK", help="a book or a backup of one")
    merge.set_defaults(run=run_merge)
    fate = actions.add_parser("fate", parents=[booked], help="note what became of a bow")
    fate.add_argument("bow", metavar="BOW")
    fate.add_argument(
        "fate",
        metavar="FATE",
        help="whole, or what broke it, or forget, which takes the note back; an unknown word lists them",
    )
    fate.set_defaults(run=run_fate)
    event = actions.add_parser(
        "event",
        parents=[shown, booked],
        help="note what was done to a bow other than scraping",
        description="Notes that a bow was toasted, warmed and bent, or dried further. The next measured pull shows what that changed.",
    )
    event.add_argument("bow", metavar="BOW")
    event.add_argument(
        "kind", metavar="WHAT", help="toasted, warmed (and bent) or dried; 'forget' takes the newest one back"
    )
    event.add_argument("--on", metavar="DAY", help="2026-11-20, its evening, or '2026-11-20 14:30' (default: now)")
    event.add_argument(
        "--limb", metavar="SIDE", default="", help="left or right, as the camera sees it (default: both)"
    )
    event.add_argument(
        "--from", dest="start", type=length, metavar="PLACE", help="where it begins, from the pivot, as 300 or 12in"
    )
    event.add_argument("--to", dest="end", type=length, metavar="PLACE", help="where it ends")
    event.set_defaults(run=run_event)
    taught = actions.add_parser("taught", parents=[shown, booked], help="what the bows of each wood taught")
    taught.set_defaults(run=run_taught)

    report = commands.add_parser(
        "report",
        parents=[shown, booked],
        help="a bow's sheet as PDF and HTML",
        description="Writes a bow's sheet from all its pulls in the book: one page for the wall, details after it.",
    )
    report.add_argument("bow", metavar="BOW", help="its name in the book")
    report.add_argument("--out", metavar="FOLDER", default=".", help="where to (default: here)")
    add_outputs(report, "out")
    report.set_defaults(run=run_report)


def run_list(args: argparse.Namespace) -> int:
    """``tiller book list``."""
    from tiller.cli.common import existing_book
    from tiller.records.book import Book
    from tiller.report.style import Units

    units = Units(args.units == "metric")
    with Book(existing_book(args)) as book:
        rows = book.pulls(args.bow)
    if not rows:
        print(
            "No pull in the book yet"
            + (f" for '{args.bow}'" if args.bow else "")
            + ": 'tiller measure RECORDING' adds one."
        )
        return 0
    print(
        f"{'pull':>5s}  {'bow':24s} {'day':10s} {'recording':24s} {'largest draw':>13s} {'force there':>12s} {'marks':>6s} {'results':>8s}"
    )
    for r in rows:
        print(
            f"{r.pull_id:5d}  {r.bow[:24]:24s} {r.day:10s} {r.recording[:24]:24s} {units.length(r.largest_draw_mm):>13s}"
            f" {units.force(r.force_there_n):>12s} {r.marks:6d} {r.results:8d}"
        )
    return 0


def run_show(args: argparse.Namespace) -> int:
    """``tiller book show``."""
    import shlex

    from tiller.cli.common import existing_book
    from tiller.records.book import FATES, Book
    from tiller.records.events import KINDS, events_of
    from tiller.report.style import Units
    from tiller.report.text.pull import kept_words

    units = Units(args.units == "metric")
    with Book(existing_book(args)) as book:
        pull = book.pull(args.pull)
        fate = book.fate(pull.bow)
        done = [e for e in events_of(book, pull.bow) if e.at.isoformat(timespec="seconds") <= pull.taken_at]
    print(kept_words(pull, units))
    for event in done:
        print(
            f"Before it: {KINDS[event.kind]}{f', {units.words(event.where)}' if event.where else ''} ({event.at:%Y-%m-%d %H:%M})."
        )
    if fate in ("", FATES[0]):
        print(
            f"What to do next: tiller plan {shlex.quote(pull.bow)}"
            + (f" --book {shlex.quote(args.book)}" if args.book else "")
        )
    else:
        print(f"It is noted as {fate}: do not draw it, and take no wood off.")
    return 0


def run_export(args: argparse.Namespace) -> int:
    """``tiller book export``."""
    from dataclasses import asdict

    from tiller.cli.common import existing_book
    from tiller.files import write_whole
    from tiller.measure.store import pictures_of
    from tiller.paths import data_folder, shop_files
    from tiller.records.alignments import alignment_row_json, alignments_of
    from tiller.records.book import Book
    from tiller.records.events import events_json, events_of
    from tiller.report.data import pull_csv, write_json

    folder, home = Path(args.folder), existing_book(args).parent
    bare = 0
    with Book(existing_book(args)) as book:
        # read before anything is written: a damaged book leaves nothing half done
        bows = book.bows() if args.pull is None else []
        done = {b.name: [events_json(e) for e in events_of(book, b.name)] for b in bows}
        looked = {b.name: [alignment_row_json(a) for a in alignments_of(book, b.name)] for b in bows}
        wanted = [args.pull] if args.pull is not None else [r.pull_id for r in book.pulls()]
        for pull_id in wanted:
            pull = book.pull(pull_id)
            place = folder / f"pull-{pull_id}"
            for name, data in pull_csv(pull).items():
                write_whole(place / name, data)
            write_json(place / "pull.json", json.loads(book.pull_json(pull_id)))
            drawn = sorted(pictures_of(home, pull.recording, dict(pull.files)).glob("*.*g"))
            bare += not drawn
            for picture in drawn:
                write_whole(place / "pictures" / picture.name, picture.read_bytes())
    if bows:
        listed = [
            {
                **asdict(b),
                "description": json.loads(b.description),
                "events": done[b.name],
                "second_views": looked[b.name],
            }
            for b in bows
        ]
        write_json(folder / "bows.json", {"bows": listed})
        for name, path in shop_files().items() if home.resolve() == data_folder().resolve() else ():
            write_whole(folder / "shop" / name, path.read_bytes())
    if not wanted:
        print("There is no pull in the book: nothing was written.")
        return 0
    print(
        f"{len(wanted)} pull(s) written to {folder}: force_draw.csv, profiles.csv, marks.csv, pull.json and what was drawn of each"
        + ("; bows.json, and with the shop's own book the files of bows, staves and rig." if bows else ".")
    )
    if bare:
        print(
            f"Note: of {bare} of them no picture lies beside the book: 'tiller measure RECORDING' without --pictures draws them anew."
        )
    return 0


def run_check(args: argparse.Namespace) -> int:
    """``tiller book check``."""
    from tiller.cli.common import existing_book
    from tiller.errors import BookFault
    from tiller.files import on_network
    from tiller.records.book import BRING_BACK, ON_NETWORK, Book
    from tiller.records.soundness import check

    path = existing_book(args)
    with Book(path) as book:
        found = check(book)
    if found.damage or found.dangling:
        what = "; ".join(found.damage) or f"{found.dangling} row(s) refer to one that is not there"
        msg = f"The book {path} is damaged ({what}): {BRING_BACK}."
        raise BookFault(msg)
    print(f"{path} is sound: {found.bows} bow(s), {found.pulls} pull(s).")
    if on_network(path):
        print(f"Note: {ON_NETWORK.text}")
    for folder in found.gone:
        print(f"Note: the recording {folder} is not there any more; what was measured of it is kept.")
    return 0


def run_backup(args: argparse.Namespace) -> int:
    """``tiller book backup``."""
    from tiller.cli.common import existing_book
    from tiller.paths import shop_files
    from tiller.records.safe import back_up

    kept = back_up(existing_book(args), Path(args.file), shop_files())
    counts = ", ".join(f"{n} {name}" for name, n in kept.rows.items())
    print(f"{args.file} written and read back: {counts}, {len(kept.members) - 1} file(s) of bows and rig.")
    print(
        "Recordings are plain folders and are not in it: copy the folder of pulls as well. Keep a backup on another disk."
    )
    return 0


def run_restore(args: argparse.Namespace) -> int:
    """``tiller book restore``."""
    from tiller.cli.common import book_of
    from tiller.paths import data_folder
    from tiller.records.safe import restore

    kept, left = restore(Path(args.file), book_of(args), data_folder())
    print(
        f"{book_of(args)} restored from the backup of {kept.made_at}: {', '.join(f'{n} {name}' for name, n in kept.rows.items())}."
    )
    for name in left:
        print(f"Note: {name} is there already and differs from the backup's: it was left as it is.")
    return 0


def run_merge(args: argparse.Namespace) -> int:
    """``tiller book merge``."""
    from tiller.cli.common import existing_book
    from tiller.records.safe import merge

    done = merge(existing_book(args), Path(args.other))
    print(f"{done.pulls} pull(s) and {done.results} result(s) came in; {done.known} pull(s) were there already.")
    for text in done.notes:
        print(f"Note: {text}")
    return 0


def run_report(args: argparse.Namespace) -> int:
    """``tiller report``: the sheet of a bow, from its pulls in the book."""
    from tiller.cli.common import existing_book
    from tiller.records.book import Book
    from tiller.report.style import Units
    from tiller.shop.sheets import write_sheet

    path = existing_book(args)
    with Book(path) as book:
        known = bool(book.pulls(args.bow))
    if known:
        print("Taking the photographs from the recordings ...", flush=True)
    written = write_sheet(path, args.bow, Path(args.out), Units(args.units == "metric"))
    for text in written.notes:
        print(f"Note: {text}")
    print(f"{written.pdf.resolve()} and {written.html.name} written. On the limb: {written.on_the_limb}")
    return 0


def run_fate(args: argparse.Namespace) -> int:
    """``tiller book fate``."""
    from tiller.cli.common import existing_book
    from tiller.errors import BookFault
    from tiller.records.book import FATES, Book

    forgotten = args.fate == "forget"
    if not args.fate:
        msg = f"Say what became of the bow: one of {', '.join(FATES)}; 'forget' takes the note back."
        raise BookFault(msg)
    with Book(existing_book(args)) as book:
        before = book.fate(args.bow)
        book.set_fate(args.bow, "" if forgotten else args.fate)
        rows = book.pulls(args.bow)
        lacking = rows and book.pull(rows[-1].pull_id).advice.missing
    if forgotten:
        print(f"{args.bow}: '{before}' is taken back." if before else f"{args.bow}: nothing was noted of it.")
    else:
        print(f"{args.bow}: {args.fate}.")
    if args.fate == FATES[0] and lacking:
        print(
            f"Note: by its last pull it is not done, and a bow that is noted as {FATES[0]} is shown as finished."
            " Where that was a mistake, 'forget' in its place takes the note back."
        )
    return 0


def run_event(args: argparse.Namespace) -> int:
    """``tiller book event``."""
    from datetime import datetime, time

    from tiller.cli.common import existing_book
    from tiller.errors import BookFault
    from tiller.records.book import Book
    from tiller.records.events import KINDS, Event, forget_event, note_event
    from tiller.report.style import Units

    now = datetime.now().replace(microsecond=0)
    at = now
    if args.on is not None:
        try:
            at = datetime.fromisoformat(args.on)
            if at.tzinfo is not None:
                at = at.astimezone().replace(tzinfo=None)
        except (ValueError, OverflowError, OSError):  # no date, or one that no clock here knows
            msg = f"'{args.on}' is no day: write it as 2026-11-20, or '2026-11-20 14:30'."
            raise BookFault(msg) from None
        if len(args.on.strip()) <= len("2026-11-20"):
            at = (
                min(datetime.combine(at.date(), time(23, 59, 59)), now)
                if at.date() == now.date()
                else datetime.combine(at.date(), time(23, 59, 59))
            )
    event = Event(kind=args.kind, at=at, limb=args.limb, from_mm=args.start, to_mm=args.end)
    with Book(existing_book(args)) as book:
        if args.kind == "forget":
            if args.on or args.limb or args.start is not None or args.end is not None:
                msg = "'forget' takes back what was noted last of the bow: leave --on, --limb, --from and --to out."
                raise BookFault(msg)
            gone = forget_event(book, args.bow)
            print(f"{args.bow}: '{KINDS.get(gone.kind, gone.kind)}' of {gone.at:%Y-%m-%d %H:%M} is taken back.")
            return 0
        note_event(book, args.bow, event, now)
    where = f", {Units(args.units == 'metric').words(event.where)}" if event.where else ""
    print(
        f"{args.bow}: {KINDS[event.kind]}{where} ({at:%Y-%m-%d %H:%M}). The next measured pull shows what that changed."
    )
    return 0


def lessons_of(path: Path, wood: str | None = None) -> dict[str, list[Taught]]:
    """What the bows of a book taught, by wood; of one wood alone where one is named."""
    from tiller.bow.bowfile import Bow, read_bow
    from tiller.errors import TillerError
    from tiller.records.book import Book
    from tiller.records.lessons import lesson

    by_wood: dict[str, list[Taught]] = {}
    with Book(path) as book:
        woods = {b.name: b.wood for b in book.bows()}
        fates = {b.name: b.fate for b in book.bows()}
        bows: dict[str, list[int]] = {}
        for row in book.pulls():
            if wood is None or woods[row.bow].casefold() == wood.casefold():
                bows.setdefault(row.bow, []).append(row.pull_id)
        for name, ids in bows.items():
            pulls = [book.pull(i) for i in ids]
            bow: Bow | None
            try:
                bow = read_bow(Path(pulls[-1].folder) / "bow.toml")
            except TillerError:
                bow = None  # its recording was moved: the rest is shown all the same
            by_wood.setdefault(pulls[-1].wood, []).append(lesson(name, pulls, bow, fates.get(name, "")))
    return by_wood


def run_taught(args: argparse.Namespace) -> int:
    """``tiller book taught``."""
    from tiller.cli.common import existing_book
    from tiller.report.style import Units
    from tiller.report.text.lessons import taught_words

    by_wood = lessons_of(existing_book(args))
    print(taught_words(by_wood, Units(args.units == "metric")) or "No pull in the book yet.")
    return 0
