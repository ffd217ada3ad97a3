"""The second view in the shop: the guided job with its answers, what is refused, and what the bow's page says of it."""

from __future__ import annotations

import shutil
from datetime import datetime, timedelta
from pathlib import Path

import cv2
import pytest

from tests.bench.belly import bow_of, case_of
from tests.second_view.test_belly import Scene, bare, bow_text, one_sided
from tests.shop.test_phone import SHIPPED
from tests.shop.test_stave_page import Scripted
from tiller.bow.bowfile import read_bow
from tiller.bow.sides import Side
from tiller.bow.tomlwrite import toml
from tiller.cli.entry import main
from tiller.mechanics.space.tracking import Correction
from tiller.records.alignments import alignments_of, keep_alignment, kept_of, pulls_since
from tiller.records.book import Book
from tiller.report.style import Units
from tiller.setup.guided.talk import run
from tiller.setup.second_view.job import belly_job
from tiller.shop.overview import page_of
from tiller.simulate.belly import paint


@pytest.fixture(scope="module")
def pictures(tmp_path_factory: pytest.TempPathFactory) -> Scene:
    folder = tmp_path_factory.mktemp("job")
    made, shape = bow_of(300)
    case = one_sided(case_of(3, made, shape), 15.0)
    for k in (1, 2):
        cv2.imwrite(str(folder / f"{k}.png"), paint(case.scene, k))
    camera = {
        "image_size": list(case.lens.image_size),
        "matrix": [[float(v) for v in row] for row in case.lens.matrix],
        "distortion": [float(v) for v in case.lens.distortion],
    }
    (folder / "rig.toml").write_text(toml({"camera": camera}))
    return Scene(case, case.bow, folder)


def test_the_job_asks_and_shows_the_sentence(pictures: Scene, home: Path) -> None:
    home.mkdir(exist_ok=True)
    shutil.copy(pictures.folder / "rig.toml", home / "rig.toml")
    bow = home / "bows" / "orchard runner" / "bow.toml"
    bow.parent.mkdir(parents=True)
    bow.write_text(bow_text(pictures))
    shots = home / "shots"
    shots.mkdir()
    shutil.copy(pictures.folder / "1.png", shots / "1.png")
    book = home / "book.sqlite3"
    talk = Scripted(("", str(home / "none"), str(shots), "", "", str(home), "", "loud", "some", "3", "26", ""), True)
    run(belly_job(bow, home, book, Units()), talk).join(120.0)
    assert talk.moment.good, talk.moment.fault
    assert talk.asked == [
        "source",
        "source",
        "source",
        "unstrung",
        "along left",
        "along right",
        "along right",
        "shock",
        "shock",
        "grip",
        "grip",
        "brace",
    ]  # one picture: not asked when it was turned
    assert len(talk.faults) == 5
    assert "to the right of its middle" in talk.moment.sentence
    assert any("by heat" in line for line in talk.moment.found)
    assert any("no pull of this bow yet" in line for line in talk.moment.found)
    assert talk.moment.picture is not None
    assert not book.exists()
    shutil.copy(pictures.folder / "2.png", shots / "2.png")
    talk = Scripted((str(shots), "2", "x", "", "", "", "", "", "", ""), True)
    run(belly_job(bow, home, book, Units()), talk).join(120.0)
    assert talk.moment.good, talk.moment.fault
    assert talk.asked == ["source", *["turned"] * 3, "unstrung", "along left", "along right", "shock", "grip", "brace"]


def test_the_bows_page_says_where_the_string_crosses_and_when_to_look_again(home: Path) -> None:
    assert main(["measure", str(SHIPPED), "--no-pictures", "--quiet"]) == 0
    bow, book = read_bow(SHIPPED / "bow.toml"), home / "book.sqlite3"
    page = page_of(book, bow.name)
    assert page is not None
    assert not any("string tracks" in text for text in page.warned)  # on the long string there is nothing to look at
    now = datetime.now().replace(microsecond=0)
    with Book(book) as shop:
        assert pulls_since(shop, bow.name, None) == 1
        assert keep_alignment(
            shop, bow.name, kept_of(bare((8.0, 1.0), 4.6), Correction(), now + timedelta(days=1), Side.LEFT)
        )
        assert pulls_since(shop, bow.name, alignments_of(shop, bow.name)[-1].at) == 0
        with shop.writing() as db:
            db.execute("UPDATE results SET string_kind = 'braced'")
    page = page_of(book, bow.name)
    assert page is not None
    assert any("to the right of its middle" in text for text in page.warned)
    assert not any("whether its string tracks" in text for text in page.warned)
    with Book(book) as shop, shop.writing() as db:
        db.execute("DELETE FROM alignments")
    page = page_of(book, bow.name)
    assert page is not None
    assert any("whether its string tracks" in text for text in page.warned)


def test_the_shop_s_own_camera_takes_the_pictures(pictures: Scene, home: Path, tmp_path: Path) -> None:
    """A video of the bow lying still stands for the camera; the first picture is taken again, then one is kept each way round."""
    home.mkdir(exist_ok=True)
    shutil.copy(pictures.folder / "rig.toml", home / "rig.toml")
    bow = home / "bows" / "orchard runner" / "bow.toml"
    bow.parent.mkdir(parents=True)
    bow.write_text(bow_text(pictures))
    image = cv2.imread(str(pictures.folder / "1.png"))
    assert image is not None
    video = tmp_path / "still.avi"
    writer = cv2.VideoWriter(str(video), cv2.VideoWriter.fourcc(*"MJPG"), 15.0, (image.shape[1], image.shape[0]))
    for _ in range(30):
        writer.write(image)
    writer.release()
    talk = Scripted(("camera", "", "a", "", "x", "", "", "", "", "", "26", ""), True)
    run(belly_job(bow, home, home / "book.sqlite3", Units(), str(video)), talk).join(120.0)
    assert talk.moment.good, talk.moment.fault
    assert talk.asked[:6] == ["source", "enter", "taken", "enter", "taken", "taken"]
    assert "to the right of its middle" in talk.moment.sentence
    # picture and words stay for the bow's page
    assert (bow.parent / "track.png").is_file()
    assert "to the right of its middle" in (bow.parent / "track.txt").read_text()
    # without a camera the word is a name like any other
    none = Scripted(("camera", str(pictures.folder / "1.png"), "", "", "", "", "26", ""), True)
    run(belly_job(bow, home, home / "book.sqlite3", Units()), none).join(120.0)
    assert none.moment.good, none.moment.fault
    assert "missing" in none.faults[0]
