"""The nutrient-rich foods index 9.3 on plain arrays, with its slope in each component.

The same index as :func:`swaptable.judging.indices.nutrient_rich_foods_index`; the slopes are exact where that of
:mod:`swaptable.amounts.certainty` takes a small step.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from swaptable.amounts.nutrients import WHOLE_SHARE
from swaptable.judging.indices import NRF_FORMS, nrf_terms

__all__ = ["IndexTerms", "index_terms"]

_CAP = 100.0  # % of the daily value


@dataclass(frozen=True, eq=False)
class IndexTerms:
    """Where the terms of the index stand among the components, and what they are divided by.

    Attributes
    ----------
    places : ndarray of int
        Of each term.
    energy : int
        Place of the energy.
    reference : ndarray
        Daily value of each term, in the unit of its component.
    wanted : ndarray of bool
        Whether the term is to be encouraged; else it is to be limited.
    """

    places: np.ndarray
    energy: int
    reference: np.ndarray
    wanted: np.ndarray

    def points(self, batch: np.ndarray, known_share: np.ndarray) -> np.ndarray:
        """Compute the index per 100 kcal.

        Parameters
        ----------
        batch, known_share : ndarray
            Variants × components: amounts, and the share of the weight that has a value [-].

        Returns
        -------
        ndarray
            By variant; NaN where a component is missing, or one to be limited is not wholly known.
        """
        percent = self._percent(batch)
        points = np.where(self.wanted, np.minimum(percent, _CAP), -percent).sum(axis=1)
        whole = (known_share[:, self.places[~self.wanted]] > WHOLE_SHARE).all(axis=1)
        return np.where(whole, points, np.nan)

    def slopes(self, batch: np.ndarray) -> np.ndarray:
        """Give what one unit more of each component in the batch does to the index: variants × components."""
        percent = self._percent(batch)
        energy = np.where(batch[:, self.energy] > 0, batch[:, self.energy], np.nan)
        sign = np.where(self.wanted, np.where(percent < _CAP, 1.0, 0.0), -1.0)
        slopes = np.zeros_like(batch)
        slopes[:, self.places] = sign * (1e4 / self.reference) / energy[:, None]
        slopes[:, self.energy] = -np.nansum(sign * percent, axis=1) / energy
        return np.where(batch > 0, np.nan_to_num(slopes), 0.0)

    def _percent(self, batch: np.ndarray) -> np.ndarray:
        energy = np.where(batch[:, self.energy] > 0, batch[:, self.energy], np.nan)
        return 1e4 * batch[:, self.places] / energy[:, None] / self.reference


def index_terms(components: Sequence[str], units: Mapping[str, str]) -> IndexTerms:
    """Find the terms of the index among components.

    Parameters
    ----------
    components : sequence of str
        With all of :func:`swaptable.judging.indices.index_components`.
    units : mapping
        Component → unit.

    Returns
    -------
    IndexTerms
    """
    tags, reference, wanted = nrf_terms(NRF_FORMS[0], units)
    places = {component: place for place, component in enumerate(components)}
    return IndexTerms(
        places=np.array([places[tag] for tag in tags]),
        energy=places["ENERC_KCAL"],
        reference=reference,
        wanted=wanted,
    )
