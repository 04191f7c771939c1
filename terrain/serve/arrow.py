"""Batches as Arrow IPC streams, in and out."""

from __future__ import annotations

import struct
from collections.abc import Mapping
from typing import Any

import numpy as np

from terrain.data import FloatArray
from terrain.errors import ConfigError, DataError
from terrain.maps.words import Words
from terrain.serve.columns import Columns
from terrain.serve.problems import TooMuchError

ARROW = "application/vnd.apache.arrow.stream"


def _pyarrow() -> Any:
    try:
        import pyarrow
        import pyarrow.ipc
    except ImportError as error:
        raise ConfigError("Arrow: pyarrow is not installed here: pip install 'terrain-steppability[arrow]'") from error
    return pyarrow


def read_columns(body: bytes, required: tuple[str, ...], optional: tuple[str, ...], *, most: int) -> list[FloatArray]:
    """Return columns of an Arrow stream as (n,) float64; nulls and a missing optional column are NaN.

    Raises
    ------
    ConfigError
        pyarrow is not installed.
    DataError
        No Arrow stream, or a column that is missing or holds no numbers.
    TooMuchError
        More than `most` rows.
    """
    pa = _pyarrow()
    _refuse_compressed(pa, body)
    try:
        batches, rows = [], 0
        with pa.ipc.open_stream(pa.py_buffer(body)) as reader:
            names = reader.schema.names
            for name in required:
                if name not in names:
                    raise DataError(f"Arrow stream: no column {name}: got {', '.join(names) or 'none'}")
            wanted = [name for name in (*required, *optional) if name in names]
            for batch in reader:
                rows += batch.num_rows
                if rows > most:
                    raise TooMuchError(f"got more than {most} rows, expected at most that many a request; ask in parts")
                batches.append(batch.select(wanted))
                batches[-1].validate(full=True)
            table = pa.Table.from_batches(batches, pa.schema([reader.schema.field(name) for name in wanted]))
    except (pa.ArrowException, OSError, KeyError, ValueError, OverflowError) as error:
        if isinstance(error, DataError):
            raise
        raise DataError(
            f"Arrow stream: cannot read: {str(error).splitlines()[0] if str(error) else error!r}"
        ) from error
    return [_floats(pa, table, name) for name in (*required, *optional)]


def _refuse_compressed(pa: Any, body: bytes) -> None:
    """Raise DataError for a compressed stream: a small body could unpack to more than the machine holds.

    Notes
    -----
    Source: Arrow columnar format, Message.fbs: Message holds header_type (1) and header (2); RecordBatch holds
    compression (3); DictionaryBatch holds a RecordBatch in data (1).
    """
    try:
        for message in pa.ipc.MessageReader.open_stream(pa.py_buffer(body)):
            flat = message.metadata.to_pybytes()
            batch = _followed(flat, struct.unpack_from("<I", flat, 0)[0], 2)
            if message.type == "dictionary" and batch is not None:
                batch = _followed(flat, batch, 1)
            elif message.type != "record batch":
                continue
            if batch is not None and _field(flat, batch, 3) is not None:
                raise DataError("Arrow stream: is compressed, expected one that is not (no lz4, no zstd)")
    except (pa.ArrowException, OSError, struct.error, EOFError, ValueError) as error:
        if isinstance(error, DataError):
            raise
        raise DataError(
            f"Arrow stream: cannot read: {str(error).splitlines()[0] if str(error) else error!r}"
        ) from error


def _unreadable(error: Exception) -> DataError:
    """Return the error for a body that is no Arrow stream; one that says so already stays."""
    if isinstance(error, DataError):
        return error
    return DataError(f"Arrow stream: cannot read: {str(error).splitlines()[0] if str(error) else repr(error)}")


def _field(flat: bytes, table: int, number: int) -> int | None:
    """Return where a field of a flatbuffers table is, None where it is left out."""
    (back,) = struct.unpack_from("<i", flat, table)
    (size,) = struct.unpack_from("<H", flat, table - back)
    if 4 + 2 * number >= size:
        return None
    (offset,) = struct.unpack_from("<H", flat, table - back + 4 + 2 * number)
    return table + offset if offset else None


def _followed(flat: bytes, table: int, number: int) -> int | None:
    """Return where the table is that a field points to."""
    at = _field(flat, table, number)
    return None if at is None else at + int(struct.unpack_from("<I", flat, at)[0])


def _floats(pa: Any, table: Any, name: str) -> FloatArray:
    if name not in table.column_names:
        return np.full(table.num_rows, np.nan)
    column = table.column(name)
    kind = column.type
    if not (pa.types.is_floating(kind) or pa.types.is_integer(kind)):
        raise DataError(f"Arrow stream: column {name} is {kind}, expected numbers")
    return np.asarray(column.cast(pa.float64(), safe=False).to_numpy(zero_copy_only=False), dtype=np.float64)


def write_columns(columns: Columns, about: Mapping[str, str]) -> bytes:
    """Return an Arrow stream of one batch; what has no value is null, labels and reasons are dictionaries.

    The dictionary of `label` has the order of the numbers in map files: 0 unobserved, 1 steppable, 2 marginal,
    3 unsteppable. `about` goes into the schema's metadata.
    """
    pa = _pyarrow()
    arrays = [_array(pa, values) for values in columns.values()]
    batch = pa.record_batch(arrays, names=list(columns)).replace_schema_metadata(dict(about))
    sink = pa.BufferOutputStream()
    with pa.ipc.new_stream(sink, batch.schema) as writer:
        writer.write_batch(batch)
    return bytes(sink.getvalue())


def _array(pa: Any, values: Any) -> Any:
    if isinstance(values, Words):
        numbers = pa.array(values.number.astype(np.int32))
        return pa.DictionaryArray.from_arrays(numbers, pa.array(list(values.table), type=pa.string()))
    if values.dtype.kind == "f":
        return pa.array(np.ascontiguousarray(values), from_pandas=True)
    return pa.array(values, mask=values < 0)
