"""The guided job that puts a backup in place in a shop whose book has no pull yet."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from tiller.records.safe import Kept, read_backup, restore
from tiller.setup.field import Field
from tiller.setup.guided.talk import Talk

SOURCE = Field(key="source", question="The backup's file (a .zip that B or 'tiller book backup' wrote)", kind="text")


def restore_job(book: Path, home: Path) -> Callable[[Talk], None]:
    """The job.

    Args:
        book: where the book goes; home: the shop's folder.
    """

    def job(talk: Talk) -> None:
        def read(text: str) -> tuple[Path, Kept]:
            path = Path(str(SOURCE.read(text.strip().strip('"'), talk.metric))).expanduser()
            return path, read_backup(path)

        path, kept = talk.ask_as(SOURCE, read, "Nothing that is here already is replaced.")
        bows, pulls = (kept.rows.get(name, 0) for name in ("bows", "pulls"))
        what = f"{pulls} pull{'' if pulls == 1 else 's'} of {bows} bow{'' if bows == 1 else 's'}"
        held = f"{path.name}, made on {kept.made_at[:10]}, holds {what}, and {len(kept.members)} files."
        talk.show(found=(held,))
        talk.enter("Enter puts it in place; Escape leaves all as it is")
        talk.say("it is put in place ...")
        _, left = restore(path, book, home)
        lines = tuple(
            f"Note: {name} is there already and differs from the backup's: it was left as it was." for name in left
        )
        talk.show(sentence="The backup is in place.", found=(*talk.moment.found, *lines))

    return job
