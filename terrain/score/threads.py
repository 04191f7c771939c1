"""Parts of a job on all cores."""

from __future__ import annotations

from collections.abc import Callable, Iterable


def run_parts(part: Callable[[int], None], parts: Iterable[int]) -> None:
    """Call `part` with each number, on as many threads as numba uses; the first exception is raised here.

    The parts must be independent, and spend their time in kernels compiled with `nogil`. That is what `prange` does,
    but a parallel kernel takes several times as long to compile.
    """
    from concurrent.futures import ThreadPoolExecutor

    import numba

    numbers = list(parts)
    threads = min(int(numba.get_num_threads()), len(numbers))
    if threads <= 1:
        for number in numbers:
            part(number)
        return
    part(numbers[0])
    with ThreadPoolExecutor(threads) as pool:
        for _ in pool.map(part, numbers[1:]):
            pass
