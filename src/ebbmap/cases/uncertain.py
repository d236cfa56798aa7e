"""Questions asked of populations as they may be: an outer draw of the numbers behind each.

Sizes: m outer draws, k numbers behind a population.
"""

from __future__ import annotations

import zlib
from dataclasses import replace

import numpy as np

from ebbmap.cases.question import Question
from ebbmap.registries.copula import Population, known_of

#: Names the stream of outer draws, apart from those of lungs and samples.
STREAM = 15


def outer_scores(group: Population, draws: int, seed: int) -> np.ndarray:
    """Draw by how many standard errors each number behind a population is off.

    Parameters
    ----------
    group : Population
        With what is known of it.
    draws : int
        Outer draws m.
    seed : int
        Seed of the question; 0 is a seed. Each population has a stream of its own.

    Returns
    -------
    ndarray, shape (m, k)
        The first draws are the same however many follow.

    Raises
    ------
    EbbmapError
        If nobody says how well its numbers are known.
    """
    key = (STREAM, zlib.crc32(group.name.encode()))
    rng = np.random.default_rng(np.random.SeedSequence(seed, spawn_key=key))
    return rng.standard_normal((draws, len(known_of(group).numbers)))


def redrawn(group: Population, draw: int, seed: int) -> Population:
    """Return a population as it may be: the same name, other numbers.

    Parameters
    ----------
    group : Population
        With what is known of it.
    draw : int
        Number of the outer draw, from 0.
    seed : int
        As in `outer_scores`.
    """
    scores = outer_scores(group, draw + 1, seed)[draw]
    drawn = known_of(group).population(scores)
    words = {name: getattr(group, name) for name in ("name", "long_name", "comment", "source")}
    return replace(drawn, **words)


def asked_again(question: Question, draw: int) -> Question:
    """Return a question about its populations as they may be; all else, seeds too, is the same.

    Parameters
    ----------
    question : Question
        With populations.
    draw : int
        Number of the outer draw, from 0.
    """
    groups = tuple(redrawn(group, draw, question.seed) for group in question.populations)
    return replace(question, populations=groups, knowledge=0)
