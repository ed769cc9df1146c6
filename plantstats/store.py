"""Results kept on disk: Parquet for tables, JSON for the rest; nothing that runs, nothing believed unchecked."""

from __future__ import annotations

import contextlib
import dataclasses
import hashlib
import importlib
import json
import math
import os
import shutil
import tempfile
from collections.abc import Callable, Mapping
from datetime import date, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from filelock import FileLock

RESULT = "result.json"
Json = Any


class StoreError(TypeError):
    """A value that cannot be kept as Parquet and JSON."""


class Store:
    """A folder of results, each under the key of what it was made from.

    Parameters
    ----------
    folder : pathlib.Path
        Made when the first result is kept.

    Examples
    --------
    >>> import tempfile
    >>> from pathlib import Path
    >>> store = Store(Path(tempfile.mkdtemp()))
    >>> store.get("sum", {"of": [1, 2]}, lambda: 3)
    3
    >>> store.get("sum", {"of": [1, 2]}, lambda: 1 / 0)  # read, not computed again
    3
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def get(self, name: str, key: Mapping[str, Json], compute: Callable[[], Any]) -> Any:
        """Read a result, or compute and keep it.

        Parameters
        ----------
        name : str
            Of the result; part of its folder's name.
        key : mapping
            Plain values (text, numbers, lists): what the result depends on.
        compute : callable
            Makes the result when no believable one is there. Who asks for the same result meanwhile waits for this one.

        Returns
        -------
        object
            What `compute` gives, as `encode` can keep it.
        """
        asked = json.loads(json.dumps(dict(key), sort_keys=True))
        place = self.folder / f"{name}-{_digest(json.dumps(asked, sort_keys=True).encode())[:20]}"
        kept, value = _read(place, asked)
        if kept:
            return value
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
            lock = FileLock(place.with_suffix(".lock"))
            lock.acquire()
        except OSError:
            return compute()  # a full disk or a folder nobody may write into costs time, not the result
        try:
            kept, value = _read(place, asked)
            if not kept:
                value = compute()
                with contextlib.suppress(OSError):
                    _write(place, asked, value)
        finally:
            lock.release()
        return value


def _digest(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()


def _read(place: Path, key: Json) -> tuple[bool, Any]:
    """Whether a whole and unchanged result of this very key stands there, and the result."""
    try:
        outer = json.loads((place / RESULT).read_bytes())
        inner = json.loads(outer["content"])
        if outer["sha256"] != _digest(outer["content"].encode()) or inner["key"] != key:
            return False, None
        files = {name: (place / name).read_bytes() for name in inner["files"]}
        if any(_digest(content) != inner["files"][name] for name, content in files.items()):
            return False, None
        return True, decode(inner["value"], [pd.read_parquet(place / name) for name in sorted(files)])
    except (OSError, ValueError, KeyError, TypeError, AttributeError, ImportError):
        return False, None


def _write(place: Path, key: Json, value: Any) -> None:
    """Make the result beside its place and move it there whole."""
    frames: list[pd.DataFrame] = []
    encoded = encode(value, frames)
    with tempfile.TemporaryDirectory(dir=place.parent, prefix=".making-") as name:
        folder = Path(name) / "made"
        folder.mkdir()
        files = {}
        for number, frame in enumerate(frames):
            path = folder / f"{number:04d}.parquet"
            frame.to_parquet(path, compression="zstd")
            files[path.name] = _digest(path.read_bytes())
        content = json.dumps({"key": key, "files": files, "value": encoded}, ensure_ascii=False)
        outer = {"sha256": _digest(content.encode()), "content": content}
        (folder / RESULT).write_text(json.dumps(outer, ensure_ascii=False), encoding="utf-8")
        shutil.rmtree(place, ignore_errors=True)
        os.replace(folder, place)


def encode(  # noqa: PLR0911 (one case a kind of value)
    value: Any, frames: list[pd.DataFrame]
) -> Json:
    """Turn a result into plain JSON and a list of tables.

    Parameters
    ----------
    value : object
        Text, numbers, dates, tables, arrays, sparse arrays, and lists, dicts, dataclasses and named tuples of such.
    frames : list of pandas.DataFrame
        Receives the tables.

    Returns
    -------
    object
        Plain JSON.

    Raises
    ------
    StoreError
        For anything else, such as a connection or a function.
    """
    match value:
        case None | bool() | str():
            return value
        case int() | np.integer():
            return int(value)
        case float() | np.floating():
            return float(value) if math.isfinite(value) else {"float": repr(float(value))}
        case np.bool_():
            return bool(value)
        case pd.Timestamp() | datetime():
            return {"time": value.isoformat()}
        case date():
            return {"date": value.isoformat()}
        case pd.DataFrame():
            # Parquet wants names: those of the columns are kept apart.
            frames.append(value.set_axis([str(n) for n in range(value.shape[1])], axis=1))
            return {"frame": len(frames) - 1, "columns": [encode(c, frames) for c in value.columns]}
        case pd.Series():
            frames.append(value.to_frame("0"))
            return {"series": len(frames) - 1, "name": encode(value.name, frames)}
        case np.ndarray():
            frames.append(pd.DataFrame({"0": value.ravel()}))
            return {"array": len(frames) - 1, "shape": list(value.shape)}
        case list() | tuple() if not hasattr(value, "_fields"):
            return {type(value).__name__: [encode(item, frames) for item in value]}
        case Mapping():
            return {"dict": [[encode(k, frames), encode(v, frames)] for k, v in value.items()]}
    return _encode_object(value, frames)


def _encode_object(value: Any, frames: list[pd.DataFrame]) -> Json:
    """A sparse array, a dataclass or a named tuple."""
    if type(value).__module__.startswith("scipy.sparse"):
        rows = value.tocoo()
        frames.append(pd.DataFrame({"row": rows.coords[0], "column": rows.coords[1], "value": rows.data}))
        return {"sparse": len(frames) - 1, "shape": list(value.shape)}
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        fields = {f.name: getattr(value, f.name) for f in dataclasses.fields(value) if f.init}
    elif hasattr(value, "_fields"):
        fields = dict(zip(value._fields, value, strict=True))
    else:
        raise StoreError(f"a {type(value).__name__} cannot be kept as Parquet and JSON")
    kind = type(value)
    return {
        "type": f"{kind.__module__}:{kind.__qualname__}",
        "fields": {k: encode(v, frames) for k, v in fields.items()},
    }


def decode(value: Json, frames: list[pd.DataFrame]) -> Any:  # noqa: PLR0911 (one case a kind of value)
    """Turn what `encode` gave back into the result.

    Parameters
    ----------
    value : object
        Plain JSON.
    frames : list of pandas.DataFrame
        The tables that it names by number.

    Returns
    -------
    object
        The result. Only dataclasses and named tuples of this package are made anew.

    Raises
    ------
    TypeError, ValueError, KeyError
        For what `encode` did not give.

    Examples
    --------
    >>> frames = []
    >>> decode(encode({"a": (1, float("inf"))}, frames), frames)
    {'a': (1, inf)}
    """
    if not isinstance(value, dict):
        return value
    match value:
        case {"float": text}:
            return float(text)
        case {"time": text}:
            return pd.Timestamp(text)
        case {"date": text}:
            return date.fromisoformat(text)
        case {"frame": number, "columns": columns}:
            return frames[number].set_axis([decode(c, frames) for c in columns], axis=1)
        case {"series": number, "name": name}:
            return frames[number]["0"].rename(decode(name, frames))
        case {"array": number, "shape": shape}:
            return frames[number]["0"].to_numpy().reshape(shape)
        case {"sparse": number, "shape": shape}:
            from scipy import sparse  # noqa: PLC0415 (slow to import, seldom needed)

            rows = frames[number]
            return sparse.coo_array((rows["value"], (rows["row"], rows["column"])), shape=tuple(shape)).tocsr()
        case {"list": items}:
            return [decode(item, frames) for item in items]
        case {"tuple": items}:
            return tuple(decode(item, frames) for item in items)
        case {"dict": items}:
            return {decode(k, frames): decode(v, frames) for k, v in items}
        case {"type": name, "fields": fields}:
            return _class(name)(**{k: decode(v, frames) for k, v in fields.items()})
    raise ValueError(f"not made by this program: {sorted(value)}")


def _class(name: str) -> Callable[..., Any]:
    """A dataclass or named tuple of this package; nothing else is ever called."""
    module, _, qualname = name.partition(":")
    if module.split(".")[0] != "plantstats":
        raise TypeError(f"{name} is not of this package")
    cls: Any = importlib.import_module(module)
    for part in qualname.split("."):
        cls = getattr(cls, part)
    if not (isinstance(cls, type) and (dataclasses.is_dataclass(cls) or hasattr(cls, "_fields"))):
        raise TypeError(f"{name} is neither a dataclass nor a named tuple")
    return cls
