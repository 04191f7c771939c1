"""Hoover et al., PAMI 18(7), 1996: the overlap measure on regions of 100 points made by hand."""

from __future__ import annotations

import numpy as np

from clouds_demo.overlap import overlap

A, B = 0, 1


def labels(*counts: tuple[int, int, int]) -> tuple[np.ndarray, np.ndarray]:
    """(facet, patch, points) -> the two labellings."""
    facet = np.concatenate([np.full(n, f) for f, _, n in counts])
    patch = np.concatenate([np.full(n, p) for _, p, n in counts])
    return facet, patch


def test_two_correct() -> None:
    found = overlap(*labels((A, 1, 85), (A, -1, 15), (B, 1, 10), (B, 2, 90)))
    assert found.correct == ((A, 1), (B, 2))
    assert (found.over, found.under, found.missed, found.noise) == ({}, {}, (), ())


def test_split_facet_is_over() -> None:
    found = overlap(*labels((A, 1, 50), (A, 2, 45), (A, -1, 5)))
    assert found.over == {A: (1, 2)}
    assert (found.correct, found.missed, found.noise) == ((), (), ())


def test_joined_facets_are_under() -> None:
    found = overlap(*labels((A, 1, 100), (B, 1, 100)))
    assert found.under == {1: (A, B)}
    assert (found.correct, found.missed, found.noise) == ((), (), ())


def test_sixty_of_a_hundred_is_missed_and_noise() -> None:
    found = overlap(*labels((A, 1, 60), (A, -1, 40)))
    assert (found.missed, found.noise) == ((A,), (1,))


def test_exactly_the_threshold_is_enough() -> None:
    assert overlap(*labels((A, 1, 80), (A, -1, 20))).correct == ((A, 1),)
    assert overlap(*labels((A, 1, 79), (A, -1, 21))).correct == ()


def test_points_on_no_facet_count_against_a_patch() -> None:
    found = overlap(*labels((A, 1, 100), (-1, 1, 26)))
    assert found.correct == ()
    assert found.missed == (A,)
