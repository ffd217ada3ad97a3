"""The menu's entry against the Desktop Entry Specification 1.5 and the Icon Theme Specification of freedesktop.org (read from memory), and the XML parser of the standard library."""

from __future__ import annotations

import configparser
import subprocess
import sys
import tempfile
import tomllib
from pathlib import Path
from xml.etree import ElementTree

import pytest

import tiller.start
from tiller.cli.entry import main
from tiller.errors import FileFault
from tiller.setup.menu import entry_text, menu_files, quoted

pytestmark = pytest.mark.skipif(not sys.platform.startswith("linux"), reason="the menu of freedesktop.org, and a shell")

ROOT = Path(__file__).parents[2]


def unescaped(value: str) -> str:
    r"""A string value as the specification's 'Possible value types' reads it: \s, \n, \t, \r, \\."""
    out, rest = "", iter(value)
    for c in rest:
        out += c if c != "\\" else {"s": " ", "n": "\n", "t": "\t", "r": "\r", "\\": "\\"}[next(rest)]
    return out


def exec_words(text: str) -> list[str]:
    """The Exec key taken apart: quotes and escapes within them are the shell's ('The Exec key'), so a shell is asked; %% is a percent sign."""
    parser = configparser.RawConfigParser(strict=True)
    parser.optionxform = str  # type: ignore[assignment]
    parser.read_string(text)
    value = unescaped(parser["Desktop Entry"]["Exec"])
    out = subprocess.run(["/bin/sh", "-c", f"printf '%s\\n' {value}"], check=True, capture_output=True, text=True)
    return [w.replace("%%", "%") for w in out.stdout.split("\n")[:-1]]


def test_written_found_and_taken_away(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    monkeypatch.delenv("TILLER_HOME", raising=False)
    for _ in range(2):
        assert main(["install-menu"]) == 0
    entry = tmp_path / "data" / "applications" / "tiller-shop.desktop"
    icon = tmp_path / "data" / "icons" / "hicolor" / "scalable" / "apps" / "tiller-shop.svg"
    assert str(entry) in capsys.readouterr().out
    text = entry.read_text()
    assert text.startswith("[Desktop Entry]\n")
    for key in ("Type=Application", "Name=", "Exec=", "Terminal=false", f"Icon={icon.stem}"):
        assert f"\n{key}" in text
    assert exec_words(text) == [sys.executable, "-P", "-m", "tiller.start"]
    drawn = ElementTree.parse(icon).getroot()
    assert drawn.tag == "{http://www.w3.org/2000/svg}svg"
    assert drawn.get("width") == drawn.get("height")
    assert main(["install-menu", "--remove"]) == 0
    assert not entry.exists()
    assert not icon.exists()
    assert main(["install-menu", "--remove"]) == 0
    assert "no entry" in capsys.readouterr().out
    # a shop in a folder of its own is opened again
    monkeypatch.setenv("TILLER_HOME", str(tmp_path / "my shop"))
    assert main(["install-menu"]) == 0
    assert exec_words(entry.read_text())[:2] == ["env", f"TILLER_HOME={tmp_path / 'my shop'}"]
    # where nothing can be written, nothing is
    monkeypatch.setenv("XDG_DATA_HOME", str(entry))
    assert main(["install-menu"]) == 2
    assert "cannot be made" in capsys.readouterr().err
    other = tmp_path / "other"
    other.mkdir()
    (other / "applications").write_text("a file")
    monkeypatch.setenv("XDG_DATA_HOME", str(other))
    assert main(["install-menu"]) == 2
    assert not list(other.rglob("*.svg"))


@pytest.mark.parametrize(
    "word", ["/usr/bin/python3", "a b", 'say "so"', "50% off", "a$b`c`", "back\\slash", "it's", "~/x", ""]
)
def test_every_path_comes_through_the_quoting(word: str) -> None:
    text = entry_text(("/opt/python", "-m", word), None)
    assert exec_words(text) == ["/opt/python", "-m", word]
    if word.isidentifier():
        assert quoted(word) == word


def test_what_no_entry_can_name_and_other_systems(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    for bad in ("/opt/a=b/python", "/opt/line\nbreak"):
        with pytest.raises(FileFault, match="no menu entry can name"):
            entry_text((bad,), None)
    monkeypatch.setenv("XDG_DATA_HOME", "relative")  # all paths in it must be absolute, else it is ignored
    assert menu_files().entry.is_absolute()
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    monkeypatch.setattr(sys, "platform", "win32")
    assert main(["install-menu"]) == 2
    assert not list(tmp_path.iterdir())


def test_without_a_terminal_it_leaves_a_log(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    home = tmp_path / "shop"
    monkeypatch.setenv("TILLER_HOME", str(home))
    monkeypatch.setattr(sys, "stdout", None)
    monkeypatch.setattr(sys, "stderr", None)
    monkeypatch.setattr(sys, "argv", ["tiller-window", "book", "list"])
    code = tiller.start.window()
    for stream in (sys.stdout, sys.stderr):
        stream.close()
    assert code == 2
    assert "BookFault" in (home / "tiller.log").read_text()
    # where the shop's folder cannot be made, the log is where passing files are
    (tmp_path / "file").write_text("")
    monkeypatch.setenv("TILLER_HOME", str(tmp_path / "file" / "shop"))
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    monkeypatch.setattr(sys, "stdout", None)
    monkeypatch.setattr(sys, "stderr", None)
    code = tiller.start.window()
    for stream in (sys.stdout, sys.stderr):
        stream.close()
    assert code == 2
    assert "ended with 2" in (tmp_path / "tiller.log").read_text()
    told = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]["gui-scripts"]
    assert told == {"tiller-window": "tiller.start:window"}


def test_the_entry_s_command_starts_the_program(tmp_path: Path) -> None:
    words = exec_words(entry_text((sys.executable, "-P", "-m", "tiller.start"), str(tmp_path)))
    out = subprocess.run([*words, "shop"], check=False, capture_output=True, text=True, cwd=ROOT)
    assert (out.returncode, "shop is empty" in out.stdout) == (0, True), out.stderr
