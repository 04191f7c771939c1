"""Where a sole stands on nothing but seen ground, told by counts of returns in squares."""

from __future__ import annotations

from terrain.kernels.options import entry


@entry
def count_in_squares(xyz, x0, y0, side, counts):  # type: ignore[no-untyped-def]
    """Count points (n, 3) in the squares (k, k) of a tile whose corner is x0, y0."""
    most = len(counts) - 1
    for i in range(len(xyz)):
        ix = min(max(int((xyz[i, 0] - x0) / side), 0), most)
        iy = min(max(int((xyz[i, 1] - y0) / side), 0), most)
        counts[iy, ix] += 1


@entry
def standing_squares(counts, margin, least, length, width, behind, beside, seen, stands):  # type: ignore[no-untyped-def]
    """Return how many squares a load can be put on so that its sole lies on seen squares, one of the tile's among them.

    counts (n, n): returns by square, of a tile and of `margin` squares around it; those at the border are seen by
    none. A square is seen where nine times its returns and those of the nine around are `least` or more. The sole is
    `length` by `width` squares, with `behind` of them behind the load and `beside` on its right, and lies along x or y,
    either way round. seen, stands (n, n) uint8: room to work in.
    """
    n = len(counts)
    for y in range(n):
        for x in range(n):
            stands[y, x], seen[y, x] = 0, 0
    for y in range(1, n - 1):
        for x in range(1, n - 1):
            around = 9 * counts[y, x]
            for j in range(y - 1, y + 2):
                for i in range(x - 1, x + 2):
                    around += counts[j, i]
            seen[y, x] = around >= least
    last = n - margin
    for turned in range(2):
        high, wide = (length, width) if turned else (width, length)
        for y in range(max(margin - high + 1, 0), min(last, n - high + 1)):
            for x in range(max(margin - wide + 1, 0), min(last, n - wide + 1)):
                whole = True
                for j in range(y, y + high):
                    for i in range(x, x + wide):
                        whole &= seen[j, i] != 0
                if whole:
                    for back in range(2):
                        along = length - 1 - behind if back else behind
                        across = width - 1 - beside if back else beside
                        stands[y + (along if turned else across), x + (across if turned else along)] = 1
    total = 0
    for y in range(n):
        for x in range(n):
            total += 1 if stands[y, x] else 0
    return total
