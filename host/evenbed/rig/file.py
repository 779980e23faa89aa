"""Where rig.toml is, reading it, and writing it so that comments and order stay."""

from __future__ import annotations

import os
import tempfile
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import platformdirs
import tomlkit
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import Comment, Null, Table, Whitespace

from evenbed.rig.check import RigError, as_data, bounds_text, build, changed, entry_of, known_keys, plain, split
from evenbed.rig.tables import INF, Entry, Result, Rig, default_rig

ENV = "EVENBED_RIG"
HEADER = (
    "The rig, for evenbed. Every table and key may be left out; then it has the value that",
    "stands in a new file. Lengths in mm, forces in N, times in s. evenbed size checks it.",
)


def where(given: str | Path | None = None) -> Path:
    """Where the rig is described: what was given, else EVENBED_RIG, else rig.toml in the user's config folder."""
    chosen = given or os.environ.get(ENV)
    return Path(chosen) if chosen else platformdirs.user_config_path("evenbed", appauthor=False) / "rig.toml"


def read(path: Path) -> Rig:
    """The rig that a file describes. Raises RigError if there is none, or it cannot be read or used."""
    return _rig(_text(path), path)


def load(given: str | Path | None = None) -> Rig:
    """The rig at ``where(given)``; the default rig if nobody named a file and there is none. Raises RigError."""
    path = where(given)
    if given is None and not os.environ.get(ENV) and not path.exists():
        return default_rig()
    return read(path)


def write(path: Path, rig: Rig) -> None:
    """Write the whole rig. A new file explains each key; in an existing one comments and order stay, and so does what is
    left out because it has its default. Raises RigError if the file cannot be read or written."""
    if not path.exists():
        _save(path, _new(rig), rig)
        return
    document, before = _document(path)
    old, new = as_data(before), as_data(rig)
    for table, keys in known_keys().items():
        for key in keys:
            if old[table].get(key) != new[table].get(key):
                _put(document, table, key, new[table].get(key))
    _save(path, document, rig)


def update(path: Path, values: Mapping[str, Any]) -> Rig:
    """Change some values, ``{"clamps.count": 3, "measured.delay_s": Result(0.03, day)}``, None removing one; the rest of
    the file stays as it is. A new file is begun if there is none. Returns the rig. Raises RigError; then nothing is
    written."""
    if not path.exists():
        rig = changed(default_rig(), values, str(path))
        _save(path, _new(rig), rig)
        return rig
    document, before = _document(path)
    rig = changed(before, values, str(path))
    for dotted, value in values.items():
        _put(document, *split(dotted, str(path)), plain(value))
    _save(path, document, rig)
    return rig


def parsed(text: str) -> Any:
    """A value as a command line gives it: TOML where it is (``3``, ``true``, ``2031-05-04``), else the text itself."""
    try:
        return tomllib.loads(f"value = {text}")["value"]
    except tomllib.TOMLDecodeError:
        return text


def _text(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8")
    except FileNotFoundError:
        raise RigError(f"{path}: there is no such file. evenbed size --write begins one.") from None
    except OSError as e:
        raise RigError(f"{path}: it cannot be read ({e.strerror or e}).") from None
    except UnicodeDecodeError:
        raise RigError(f"{path}: it is no text in UTF-8.") from None


def _rig(text: str, path: Path) -> Rig:
    try:
        data = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as e:
        raise RigError(f"{path}: it is no TOML: {e}. A line is key = value, below its [table].") from None
    return build(data, str(path))


def _document(path: Path) -> tuple[tomlkit.TOMLDocument, Rig]:
    """The file with all its comments, and the rig that it describes."""
    text = _text(path)
    rig = _rig(text, path)
    try:
        return tomlkit.parse(text), rig
    except TOMLKitError as e:
        raise RigError(f"{path}: it cannot be changed: {e}.") from None


def _save(path: Path, document: tomlkit.TOMLDocument, rig: Rig) -> None:
    """Replace the file in one go: a crash leaves the old one or the new one. What it says is read again first."""
    text = tomlkit.dumps(document)
    if _rig(text, path) != rig:
        raise RigError(
            f"{path}: it is laid out in a way that cannot be changed here: write its tables as [table], key = value."
        )
    temporary = ""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        target = path.resolve()
        handle, temporary = tempfile.mkstemp(dir=target.parent, prefix=".rig-", suffix=".toml")
        with os.fdopen(handle, "w", encoding="utf-8") as f:
            f.write(text)
            f.flush()
            os.fsync(f.fileno())
        Path(temporary).chmod(target.stat().st_mode & 0o777 if target.exists() else 0o644)
        Path(temporary).replace(target)
    except OSError as e:
        if temporary:
            Path(temporary).unlink(missing_ok=True)
        raise RigError(f"{path}: it cannot be written ({e.strerror or e}).") from None


def _item(value: Any) -> Any:
    if isinstance(value, Mapping):
        table = tomlkit.inline_table()
        table.update(value)
        return table
    return tomlkit.item(value)


def _put(document: tomlkit.TOMLDocument, table: str, key: str, value: Any) -> None:
    held = document.get(table)
    if value is None:
        if held is not None and key in held:
            del held[key]
        return
    if held is None:
        document[table] = tomlkit.table()
        held = document[table]
    if key in held:
        old = held[key]
        new = _item(value)
        # What stands behind the value on its line belongs to the reader, not to the value.
        if hasattr(old, "trivia") and hasattr(new, "trivia"):
            new.trivia.comment, new.trivia.comment_ws = old.trivia.comment, old.trivia.comment_ws
        held[key] = new
        return
    tail: list[Any] = []
    if isinstance(held, Table):
        # Blank lines and comments at the end of a table belong to what follows it: the new key goes before them. In a
        # table without a key, comments up to the first blank line are its own.
        body = held.value.body
        while body and isinstance(body[-1][1], Whitespace | Comment | Null):
            tail.insert(0, body.pop()[1])
        tail = [rest for rest in tail if not isinstance(rest, Null)]
        own = not body
        while own and tail and isinstance(tail[0], Comment):
            held.add(tail.pop(0))
    held.add(key, _item(value))
    for rest in tail:
        held.add(rest)


def _remark(e: Entry, value: Any) -> str:
    if isinstance(value, list):
        return e.says
    allowed = ", ".join(e.choices) if e.choices else bounds_text(e) if e.least > -INF and e.most < INF else e.unit
    return f"{e.says} ({allowed})" if allowed else e.says


def _new(rig: Rig) -> tomlkit.TOMLDocument:
    """A new file: every table with what it is, every key with its meaning and bounds."""
    document = tomlkit.document()
    for line in HEADER:
        document.add(tomlkit.comment(line))
    data = as_data(rig)
    for name, keys in known_keys().items():
        table: Table = tomlkit.table()
        about = (type(getattr(rig, name)).__doc__ or "").strip()
        table.add(tomlkit.comment(about))
        for key, item in keys.items():
            value = data[name].get(key)
            if value is not None:
                made = _item(value)
                if not isinstance(value, Mapping):
                    made.comment(_remark(entry_of(item), value))
                table.add(key, made)
        document.add(tomlkit.nl())
        document.add(name, table)
    return document


__all__ = ["ENV", "Result", "load", "parsed", "read", "update", "where", "write"]
