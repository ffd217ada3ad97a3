"""Do the tests notice? ``python -m tests.bench.mutants [--sample N | --last N] [--seed S] [--green] [--jobs J]``.

``mutants.json`` lists one-line changes of signs, factors, indices and inequalities over mechanics, vision, force and bow. Each is made in a copy of this
source, and the tests that should notice it are run there. What is still green survives, and is printed; none may.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import shutil
import subprocess
import sys
import tempfile
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
LIST = Path(__file__).with_name("mutants.json")
LONGEST_S = 900.0
"""A change may make a loop endless: a test that does not end has noticed."""


@dataclass(frozen=True)
class Mutant:
    """A line of a file, what stands in its place, and the tests that should notice."""

    file: str
    line: str
    instead: str
    tests: tuple[str, ...]


def listed() -> list[Mutant]:
    """All of them, each with a line that is there once."""
    out = []
    for file, line, instead, tests in json.loads(LIST.read_text(encoding="utf-8")):
        lines = [text.strip() for text in (ROOT / file).read_text(encoding="utf-8").splitlines()]
        if lines.count(line) != 1:
            msg = f"{file} has {lines.count(line)} lines '{line}': the list is older than the source."
            raise SystemExit(msg)
        out.append(Mutant(file, line, instead, tuple(tests)))
    return out


def noticed(mutant: Mutant) -> bool:
    """Whether any of its tests fails."""
    with tempfile.TemporaryDirectory(prefix="tiller-mutant-") as folder:
        copy = Path(folder) / "main"
        away = shutil.ignore_patterns("__pycache__", ".git", ".venv", ".*_cache", ".readme")
        shutil.copytree(ROOT, copy, ignore=away)
        path = copy / mutant.file
        lines = path.read_text(encoding="utf-8").splitlines(keepends=True)
        changed = [text.replace(mutant.line, mutant.instead) if text.strip() == mutant.line else text for text in lines]
        path.write_text("".join(changed), encoding="utf-8")
        command = [
            sys.executable,
            "-m",
            "pytest",
            "-x",
            "-q",
            "-p",
            "no:cacheprovider",
            "-p",
            "no:randomly",
            *mutant.tests,
        ]
        env = {**os.environ, "PYTHONPATH": str(copy), "PYTHONDONTWRITEBYTECODE": "1", "TILLER_NO_SKIPS": ""}
        try:
            ran = subprocess.run(
                command, cwd=copy, env=env, capture_output=True, text=True, timeout=LONGEST_S, check=False
            )
        except subprocess.TimeoutExpired:
            return True
        if ran.returncode not in (0, 1):
            msg = f"the tests of {mutant.file} could not be run:\n{ran.stdout[-2000:]}{ran.stderr[-2000:]}"
            raise SystemExit(msg)
        return ran.returncode != 0


def main() -> int:
    """Prints the survivors; 1 where there are any."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sample", type=int, help="only so many of them, at random")
    parser.add_argument("--seed", type=int, default=None, help="which ones; default: others each time")
    parser.add_argument("--last", type=int, help="only the last so many of the list")
    parser.add_argument("--green", action="store_true", help="the tests are known to be green as they are")
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1)
    args = parser.parse_args()
    mutants = listed()
    if args.last is not None:
        mutants = mutants[-args.last :]
    if args.sample is not None:
        mutants = random.Random(args.seed).sample(mutants, min(args.sample, len(mutants)))
    same = mutants[0].line
    green = Mutant(mutants[0].file, same, same, tuple(sorted({t for m in mutants for t in m.tests})))
    if not args.green and noticed(green):
        print("the tests fail without any change: nothing can be told.")
        return 1
    survivors = []
    with ThreadPoolExecutor(args.jobs) as pool:
        for mutant, seen in zip(mutants, pool.map(noticed, mutants), strict=True):
            print("." if seen else "S", end="", flush=True)
            if not seen:
                survivors.append(mutant)
    print(f"\n{len(mutants)} changes, {len(survivors)} not noticed")
    for m in survivors:
        print(f"  {m.file}\n    {m.line}\n    {m.instead}\n    by {' '.join(m.tests)}")
    return 1 if survivors else 0


if __name__ == "__main__":
    sys.exit(main())
