"""Arrays of the exact type out of whatever holds numbers; those that are so already are passed on as they are."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ._errors import ArgumentError

PACKET_COLUMNS = ("host_ns", "stream", "sequence", "tick", "samples")


def _series(value: Any) -> bool:
    """Whether it is a column of a DataFrame, without importing what made it."""
    return hasattr(value, "to_numpy") and hasattr(value, "isna")


def _nothing(item: Any, dtype: np.dtype[Any]) -> bool:
    """NaN is a number where numbers may have fractions; a reader of them says what it thinks of it."""
    return item is None or item is np.ma.masked or (isinstance(item, float) and item != item and dtype.kind != "f") or type(item).__name__ == "NAType"


def _parts(name: str, value: Any, dtype: np.dtype[Any]) -> tuple[NDArray[Any], NDArray[np.bool_] | None]:
    """The values, and true where one is absent; None where all are there."""
    absent: NDArray[np.bool_] | None = None
    if isinstance(value, np.ma.MaskedArray):
        mask = np.ma.getmaskarray(value)
        absent, value = (mask if mask.any() else None), value.data
    elif _series(value):
        if isinstance(value.dtype, np.dtype):
            value = value.to_numpy()
        else:
            mask = np.asarray(value.isna(), dtype=bool)
            absent = mask if mask.any() else None
            if absent is not None and getattr(value.dtype, "kind", "O") in "iuf":
                value = value.to_numpy(dtype=value.dtype.numpy_dtype, na_value=0)
            else:
                value = value.to_numpy()
    elif isinstance(value, (list, tuple)):
        # One by one: NumPy would make floats of large whole numbers beside negative ones.
        whole = np.empty(len(value), dtype=object)
        whole[:] = value
        value = whole
    if isinstance(value, (str, bytes)) or not hasattr(value, "__len__"):
        raise ArgumentError(f"{name}: found {value!r}, expected an array of shape (n,)")
    array = np.asarray(value)
    if array.ndim != 1:
        raise ArgumentError(f"{name}: found an array of shape {array.shape}, expected shape (n,)")
    if array.dtype == object:
        if absent is None:
            gone = np.fromiter((_nothing(item, dtype) for item in array), bool, len(array))
            absent = gone if gone.any() else None
        kinds = (int, np.integer) if dtype.kind in "iu" else (int, float, np.integer, np.floating)
        for row, item in enumerate(array):
            if absent is not None and absent[row]:
                continue
            if isinstance(item, (bool, np.bool_)) or not isinstance(item, kinds):
                raise ArgumentError(f"{name}, row {row}: found {item!r}, expected {_range(dtype)}")
    return array, absent


def _range(dtype: np.dtype[Any]) -> str:
    if dtype.kind == "f":
        return "a number"
    info = np.iinfo(dtype)
    return f"a whole number from {info.min} to {info.max}"


def exact_or_absent(name: str, value: Any, dtype_name: str) -> tuple[NDArray[Any], NDArray[np.bool_] | None]:
    """An array of the exact type in one piece, and true where a value is absent (None, NaN, NA, masked)."""
    dtype = np.dtype(dtype_name)
    array, absent = _parts(name, value, dtype)
    if array.dtype == dtype:
        # In one piece and where numbers of this type may lie; a copy only where that is not so.
        return np.require(array, requirements=["C", "A"]), absent
    kind = array.dtype.kind
    if len(array) == 0 and kind in "iufOb":
        return np.empty(0, dtype), None
    if dtype.kind == "f":
        if kind not in "iufO":
            raise ArgumentError(f"{name}: found an array of {array.dtype}, expected {dtype}")
        if absent is not None and kind == "O":
            array = np.where(absent, np.nan, array)
        return np.ascontiguousarray(array.astype(dtype)), absent
    if kind not in "iufO":
        hint = " of the host's monotonic clock, ns" if kind in "mM" else ""
        raise ArgumentError(f"{name}: found an array of {array.dtype}, expected {dtype}{hint}")
    if kind == "f":
        gone = np.isnan(array)
        if gone.any():
            absent = gone if absent is None else gone | absent
    here = array if absent is None else array[~absent]
    info = np.iinfo(dtype)
    # Floats of type float64 just beyond: 2**63 is one, 2**63 - 1 is none.
    fits = (here >= info.min) & (here < float(info.max) + 1.0 if kind == "f" else here <= info.max)
    if kind == "f":
        fits &= here == np.floor(here)
    if not fits.all():
        row = int(np.flatnonzero(~fits.astype(bool))[0])
        shown = here[row]
        if absent is not None:
            row = int(np.flatnonzero(~absent)[row])
        raise ArgumentError(f"{name}, row {row}: found {shown}, expected {_range(dtype)}")
    if absent is not None:
        array = np.where(absent, 0, array)
    return np.ascontiguousarray(array.astype(dtype)), absent


def exact(name: str, value: Any, dtype_name: str) -> NDArray[Any]:
    """An array of the exact type in one piece, in which nothing is absent."""
    array, absent = exact_or_absent(name, value, dtype_name)
    if absent is not None and absent.any():
        row = int(np.flatnonzero(absent)[0])
        raise ArgumentError(f"{name}, row {row}: found nothing (None, NaN or masked), expected {_range(np.dtype(dtype_name))}")
    return array


def texts(name: str, value: Any) -> list[str]:
    """Text, one for each row."""
    if isinstance(value, (str, bytes)):
        raise ArgumentError(f"{name}: found {value!r}, expected one text for each row")
    found = value.tolist() if hasattr(value, "tolist") else list(value)
    for row, item in enumerate(found):
        if not isinstance(item, str):
            raise ArgumentError(f"{name}, row {row}: found {item!r}, expected text")
    return found


def _places(value: Any, names: list[str]) -> NDArray[np.uint8]:
    """The places of streams that are given by place, or by name."""
    expected = "a stream of the description: " + ", ".join(names)
    if _series(value) and hasattr(value, "cat"):
        categories, codes = list(value.cat.categories), np.asarray(value.cat.codes)
    else:
        array = value if isinstance(value, np.ndarray) else np.asarray(value)
        if array.dtype.kind not in "OUT" or array.ndim != 1 or not all(isinstance(item, str) for item in array[:1]):
            whole: NDArray[np.uint8] = exact("packets, array stream", value, "uint8")
            return whole
        seen: dict[Any, int] = {}
        codes = np.fromiter((seen.setdefault(item, len(seen)) for item in array.tolist()), np.int64, len(array))
        categories = list(seen)
    lookup = np.zeros(len(categories) + 1, np.int16)
    for code, name in enumerate(categories):
        lookup[code] = names.index(name) if name in names else -1
    lookup[-1] = -1
    places = lookup[codes]
    if (places < 0).any():
        row = int(np.flatnonzero(places < 0)[0])
        code = int(codes[row])
        found = repr(categories[code]) if code >= 0 else "nothing"
        raise ArgumentError(f"packets, array stream, row {row}: found {found}, expected {expected}")
    found_places: NDArray[np.uint8] = places.astype(np.uint8)
    return found_places


def columns(table: str, value: Any, needed: tuple[str, ...], optional: tuple[str, ...]) -> dict[str, Any]:
    """The columns of a DataFrame or a mapping, by name; those that nobody asks for are passed over."""
    if not isinstance(value, Mapping) and not (hasattr(value, "columns") and hasattr(value, "__getitem__")):
        raise ArgumentError(f"{table}: found a {type(value).__name__}, expected a DataFrame or a mapping of arrays")
    present = set(value.keys() if isinstance(value, Mapping) else value.columns)
    for name in needed:
        if name not in present or value[name] is None:
            raise ArgumentError(f"{table}: found no array {name}, expected one")
    return {name: value[name] for name in needed + optional if name in present and value[name] is not None}


def packets(
    described: Any,
    table: Any,
    host_ns: Any = None,
    stream: Any = None,
    sequence: Any = None,
    tick: Any = None,
    samples: Any = None,
) -> tuple[Any, ...]:
    """The arrays host_ns, stream, sequence, tick, without_tick, samples of the exact types and one length."""
    given = dict(zip(PACKET_COLUMNS, (host_ns, stream, sequence, tick, samples)))
    given = {name: value for name, value in given.items() if value is not None}
    if table is not None and given:
        raise ArgumentError(f"packets: found a table and also {', '.join(given)}, expected one or the other")
    source = table if table is not None else given
    found = columns("packets", source, ("host_ns", "sequence"), ("stream", "tick", "samples"))
    known = json.loads(described.to_json())["stream"]
    stamps = exact("packets, array host_ns", found["host_ns"], "int64")
    count = len(stamps)
    places: NDArray[np.uint8]
    if "stream" in found:
        places = _places(found["stream"], [stream["name"] for stream in known])
    else:
        places = np.zeros(count, np.uint8)
    ticks, without = None, None
    if "tick" in found:
        ticks, without = exact_or_absent("packets, array tick", found["tick"], "uint64")
    if "samples" in found:
        sizes = exact("packets, array samples", found["samples"], "uint16")
    else:
        usual = np.zeros(256, np.uint16)
        usual[: len(known)] = [stream["samples_per_packet"] for stream in known]
        sizes = usual[places]
    arrays = {
        "host_ns": stamps,
        "stream": places,
        "sequence": exact("packets, array sequence", found["sequence"], "uint32"),
        "tick": ticks,
        "without_tick": without,
        "samples": sizes,
    }
    for name, array in arrays.items():
        if array is not None and len(array) != count:
            raise ArgumentError(f"packets, array {name}: found {len(array)} rows, expected {count} as in host_ns")
    return tuple(arrays.values())
