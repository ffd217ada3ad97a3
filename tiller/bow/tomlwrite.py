"""TOML written by a library: a new file, or keys and tables put into one that is there, whose remarks and other tables stay as they are."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from typing import Any

import tomlkit
from tomlkit.items import AoT, Array, Table
from tomlkit.toml_document import TOMLDocument

Row = Mapping[str, Any]


def toml(data: Mapping[str, Any]) -> str:
    """A whole file; a list of tables within a table is written a row to a line."""
    return _dumped(_filled(tomlkit.document(), data))


def with_keys(text: str, new: Mapping[str, Any], without: Sequence[str] = ()) -> str:
    """A file's text with keys and tables in place of those of their names; remarks that stood in what is written anew move to the top.

    Args:
        without: further names that are taken away.

    Raises:
        tomlkit.exceptions.TOMLKitError: the text is no TOML.
    """
    document = tomlkit.parse(text)
    fresh: dict[str, Any] = {}
    for name, value in new.items():
        if name in document and not _is_table(value) and not isinstance(document[name], Table | AoT):
            document[name] = value  # in its place, with the remark behind it
            continue
        fresh[name] = value
    for name in (*fresh, *(n for n in without if n not in new)):
        if name in document:
            document.remove(name)
    out = _dumped(_filled(document, fresh))
    had = tomllib.loads(text)
    wanted = {k: v for k, v in had.items() if k not in new and k not in without} | dict(new)
    stays = set(out.splitlines())
    lost = [line for line in text.splitlines() if line.lstrip().startswith("#") and line not in stays]
    return _as_wanted("\n".join([*lost, out]) if lost else out, wanted)


def with_values(
    text: str, new: Mapping[tuple[str | int, ...], Any], without: Sequence[tuple[str | int, ...]] = ()
) -> str:
    """A file's text with values at these paths, whose tables are there, in place of what stood there; remarks stay.

    Args:
        new: by path, names of tables and numbers of rows.
        without: further paths that are taken away.
    """
    wanted, document = tomllib.loads(text), tomlkit.parse(text)
    for path, value in new.items():
        for inner in (_at(wanted, path), _at(document, path)):
            inner[path[-1]] = value
    for path in without:
        for inner in (_at(wanted, path), _at(document, path)):
            inner.pop(path[-1], None)
    return _as_wanted(_dumped(document), wanted)


def _at(table: Any, path: Sequence[str | int]) -> Any:
    for name in path[:-1]:
        table = table[name]
    return table


def with_rows(text: str, path: Sequence[str], rows: Sequence[Row]) -> str:
    """A file's text with further rows of a list of tables at that path, whose tables are there."""
    wanted = tomllib.loads(text)
    deep: Any = wanted
    for name in path[:-1]:
        deep = deep[name]
    deep[path[-1]] = [*deep.get(path[-1], []), *map(dict, rows)]
    document = tomlkit.parse(text)
    inner: Any = document
    for name in path[:-1]:
        inner = inner[name]
    there = inner.get(path[-1])
    if isinstance(there, Array):  # a list that was written in one line goes on so
        for row in rows:
            there.append(_inline(row))
    else:
        found = there if isinstance(there, AoT) else tomlkit.aot()
        for row in rows:
            found.append(_filled(tomlkit.table(), row))
        if not isinstance(there, AoT):
            inner[path[-1]] = found
    return _as_wanted(_dumped(document), wanted)


def _as_wanted(out: str, wanted: dict[str, Any]) -> str:
    """The text, if it says what it is to say; else written anew, lines that are remarks first: a file laid out in an unusual way may lose the places of
    its remarks, not its meaning."""
    try:
        parsed = tomllib.loads(out)
    except tomllib.TOMLDecodeError:
        parsed = None
    if parsed == wanted:
        return out
    remarks = [line for line in out.splitlines() if line.lstrip().startswith("#")]
    return "\n".join([*remarks, toml(wanted)])


def _dumped(document: TOMLDocument) -> str:
    return tomlkit.dumps(document).strip("\n") + "\n"


def _filled(table: Any, data: Mapping[str, Any]) -> Any:
    """A document or a table with these keys, single ones before tables."""
    simple = {k: v for k, v in data.items() if not _is_table(v)}
    for key, value in {**simple, **data}.items():
        if isinstance(value, Mapping):
            table[key] = _filled(tomlkit.table(), value)
        elif _is_table(value):
            table[key] = _rows(value, within=isinstance(table, Table))
        else:
            table[key] = value
    return table


def _is_table(value: Any) -> bool:
    if isinstance(value, Mapping):
        return True
    return isinstance(value, Sequence) and len(value) > 0 and isinstance(value[0], Mapping)


def _rows(rows: Sequence[Row], within: bool) -> AoT | Array:
    if within:
        out = tomlkit.array()
        for row in rows:
            out.append(_inline(row))
        return out.multiline(True)
    tables = tomlkit.aot()
    for row in rows:
        tables.append(_filled(tomlkit.table(), row))
    return tables


def _inline(row: Row) -> Any:
    out = tomlkit.inline_table()
    out.update(row)
    return out
