"""The sheet's causes as a network: learnt numbers laid over, tempered, with what is uncertain."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt

from pitwise.causes.evidence import Evidence, Grade, Soft
from pitwise.causes.learn import Learnt, worth_of
from pitwise.causes.network import Floats, Network
from pitwise.causes.observe import State
from pitwise.causes.temper import Tempering, tempering_of
from pitwise.trade.model import Sheet

# A mean of 1 leaves no second parameter to draw with.
_LEAST_BETA = 1e-3
# Small means round to draws of exactly 0, with which what was seen may be impossible.
_LEAST_DRAWN = 1e-12
# Chance that trouble stays with none of the sheet's other causes at work (our own choice).
_STAYS = 0.02
_STAYED = "the trouble stayed"
_GRADE = {"absent": 0, "slight": 1, "much": 2}


@dataclass(frozen=True, eq=False)
class Draws:
    """Sets of numbers in place of the model's: prior (B, n), leak (B, m), link (B, n, m)."""

    prior: Floats
    leak: Floats
    link: Floats


@dataclass(frozen=True, eq=False)
class Model:
    """Numbers of a sheet before tempering, and what each is worth in cases.

    Attributes
    ----------
    causes, symptoms : tuple of str
        Rows and columns of the arrays.
    prior (n,), leak (m,), link (n, m) : arrays
    prior_worth (n,), leak_worth (m,), link_worth (n, m) : arrays
        Cases each number is worth, those it was learnt from included.
    much, leak_much : (m,) arrays
        Shares of "much" of graded symptoms; NaN for the others.
    groups : tuple of frozenset of int
    tempering : Tempering
    tried : frozenset of str
        Causes whose remedy was done while the trouble stayed. They may have been at work all
        the same, with another: so they still explain what was found before, and that some
        other cause is at work is one more fact, a last column of the network.
    """

    causes: tuple[str, ...]
    symptoms: tuple[str, ...]
    prior: Floats
    leak: Floats
    link: Floats
    prior_worth: Floats
    leak_worth: Floats
    link_worth: Floats
    much: Floats
    leak_much: Floats
    groups: tuple[frozenset[int], ...]
    tempering: Tempering
    tried: frozenset[str] = frozenset()

    @cached_property
    def network(self) -> Network:
        """The tempered network of all symptoms."""
        return Network.of(
            self.prior,
            self._stayed(self.tempering.leaks(self.leak), _STAYS),
            self._stayed(self.tempering.links(self.link), self.open[:, None].astype(float)),
            self.causes,
            (*self.symptoms, *((_STAYED,) if self.tried else ())),
        )

    @cached_property
    def open(self) -> npt.NDArray[np.bool_]:
        """Which causes (n,) may still be cured."""
        return np.array([name not in self.tried for name in self.causes])

    def _stayed(self, values: Floats, last: npt.ArrayLike) -> Floats:
        """Append the column of the trouble that stayed, when a remedy was tried."""
        if not self.tried:
            return values
        column = np.broadcast_to(last, (*values.shape[:-1], 1))
        return np.concatenate([values, column], axis=-1)

    @cached_property
    def column(self) -> Mapping[str, int]:
        """Column of each symptom."""
        return {name: j for j, name in enumerate(self.symptoms)}

    def after(self, tried: frozenset[str]) -> Model:
        """Return the model after these causes' remedies were done and the trouble stayed."""
        return replace(self, tried=tried) if tried else self

    def draw(self, count: int, rng: np.random.Generator) -> Draws:
        """Draw sets of numbers from their Beta distributions, tempered.

        Every number of the model is drawn, needed or not, so that the draws do not move when
        one more symptom is looked at.
        """
        rows, columns = np.nonzero(self.link)
        link = np.zeros((count, *self.link.shape))
        link[:, rows, columns] = _betas(
            self.link[rows, columns], self.link_worth[rows, columns], count, rng
        )
        leak = _betas(self.leak, self.leak_worth, count, rng)
        prior = _betas(self.prior, self.prior_worth, count, rng)
        return Draws(
            prior,
            self._stayed(self.tempering.leaks(leak), _STAYS),
            self._stayed(self.tempering.links(link), self.open[:, None].astype(float)),
        )

    def evidence(
        self,
        states: Mapping[str, State],
        ratios: Mapping[str, float],
        draws: Draws | None = None,
    ) -> Evidence:
        """Return the evidence of states and capped log ratios (a state goes before a ratio).

        Parameters
        ----------
        states : mapping of symptom to State
        ratios : mapping of symptom to float
            Natural-log likelihood ratios, present against absent.
        draws : Draws, optional
            Makes the tables of graded symptoms with a leading axis, one for each draw.
        """
        seen, absent, grades = set(), set(), []
        for name, state in states.items():
            j = self.column[name]
            if state == "absent":
                absent.add(j)
            elif state == "seen":
                seen.add(j)
            else:
                grades.append(self._grade(j, _GRADE[state], draws))
        if self.tried:
            seen.add(len(self.symptoms))
        soft = tuple(
            Soft(self.column[name], min(1.0, float(np.exp(x))), min(1.0, float(np.exp(-x))))
            for name, x in ratios.items()
            if name not in states
        )
        return Evidence(frozenset(seen), frozenset(absent), soft, tuple(grades), self.groups)

    def _grade(self, j: int, grade: int, draws: Draws | None) -> Grade:
        link = self.network.link[:, j] if draws is None else draws.link[:, :, j]
        leak = self.network.leak[j] if draws is None else draws.leak[:, j]
        much, leak_much = self.much[j], self.leak_much[j]
        cum = np.stack([1 - link, 1 - link * much, np.ones_like(link)], axis=-1)
        cum_leak = np.stack([1 - leak, 1 - leak * leak_much, np.ones_like(leak)], axis=-1)
        return Grade(j, grade, cum, cum_leak)


def build(sheet: Sheet, learnt: Learnt | None = None) -> Model:
    """Return the model of a sheet; learnt numbers go before the sheet's."""
    learnt = learnt or Learnt()
    worth = worth_of(sheet)
    causes = tuple(row.id for row in sheet.causes)
    symptoms = tuple(row.id for row in sheet.symptoms)
    row = {name: i for i, name in enumerate(causes)}
    column = {name: j for j, name in enumerate(symptoms)}
    prior = np.array([c.base_rate for c in sheet.causes], dtype=float)
    prior_worth = np.full(len(causes), worth.base)
    leak = np.array([s.leak for s in sheet.symptoms], dtype=float)
    leak_worth = np.full(len(symptoms), worth.leak)
    link = np.zeros((len(causes), len(symptoms)))
    link_worth = np.full(link.shape, worth.link)
    for arrow in sheet.links:
        link[row[arrow.cause], column[arrow.symptom]] = arrow.p
    for name, known in learnt.base.items():
        if name in row:
            prior[row[name]] = known.mean
            prior_worth[row[name]] = known.worth
    for name, known in learnt.leak.items():
        if name in column:
            leak[column[name]] = known.mean
            leak_worth[column[name]] = known.worth
    for (cause, symptom), known in learnt.link.items():
        # A link the sheet no longer has is not brought back by what was learnt of it.
        if cause in row and symptom in column and link[row[cause], column[symptom]] > 0:
            link[row[cause], column[symptom]] = known.mean
            link_worth[row[cause], column[symptom]] = known.worth
    groups: dict[str, set[int]] = {}
    for j, symptom_row in enumerate(sheet.symptoms):
        if symptom_row.group is not None:
            groups.setdefault(symptom_row.group, set()).add(j)
    return Model(
        causes,
        symptoms,
        prior,
        leak,
        link,
        prior_worth,
        leak_worth,
        link_worth,
        np.array([np.nan if s.much is None else s.much for s in sheet.symptoms], dtype=float),
        np.array(
            [np.nan if s.leak_much is None else s.leak_much for s in sheet.symptoms], dtype=float
        ),
        tuple(frozenset(g) for g in groups.values() if len(g) > 1),
        tempering_of(sheet),
    )


def _betas(mean: Floats, worth: Floats, count: int, rng: np.random.Generator) -> Floats:
    a = np.maximum(mean * worth, _LEAST_BETA)
    b = np.maximum((1 - mean) * worth, _LEAST_BETA)
    drawn = rng.beta(a, b, size=(count, len(mean)))
    return np.clip(drawn, _LEAST_DRAWN, 1 - _LEAST_DRAWN)
