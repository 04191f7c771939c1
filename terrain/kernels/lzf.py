"""LZF, the compression inside PCD files: arrays in, arrays out."""

from terrain.kernels.options import entry


@entry
def expand(packed, out):  # type: ignore[no-untyped-def]
    """(n,) uint8 -> how many bytes of (m,) uint8 `out` were filled; -1 where the stream is damaged.

    A control byte below 32 starts a run of that many bytes plus one; else its upper three bits are a length (7: the
    next byte adds to it) plus two, and its lower five with the byte after them say how far back to copy from.
    """
    n, m = len(packed), len(out)
    i, o = 0, 0
    while i < n:
        control = int(packed[i])
        i += 1
        if control < 32:
            length = control + 1
            if i + length > n or o + length > m:
                return -1
            for _ in range(length):
                out[o] = packed[i]
                o += 1
                i += 1
            continue
        length = control >> 5
        if length == 7:
            if i >= n:
                return -1
            length += int(packed[i])
            i += 1
        if i >= n:
            return -1
        start = o - ((control & 31) << 8) - int(packed[i]) - 1
        i += 1
        length += 2
        if start < 0 or o + length > m:
            return -1
        for k in range(length):
            out[o] = out[start + k]
            o += 1
    return o
