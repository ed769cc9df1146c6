"""How fast topsoil dries: one distribution for all plants, its scale by species, light, pot, planter and season."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from scipy import linalg, sparse, special

from plantstats.stats.intervals import CONF_LEVEL, Interval, quantile, ratio_limits
from plantstats.watering import between_plants, distribution
from plantstats.watering.between_plants import Members, PlantVariation
from plantstats.watering.design import Names, design_matrix, kinds_of
from plantstats.watering.distribution import Array, observations_of
from plantstats.watering.estimation import NO_MISCLASSIFICATION


@dataclass(frozen=True)
class DryingModel:
    """A fitted distribution of drying times: log scale = sum of the effects of a plant's levels; one shape for all.

    Attributes
    ----------
    family : {"Weibull", "log-logistic"}
    names : tuple of (str, str)
        Term and level of each effect; log shape and misclassification logit come after them.
    estimate : numpy.ndarray, shape (effects + 2,)
    covariance : numpy.ndarray, shape (effects + 2, effects + 2)
    n_sites, n_dry_downs : int
        What the fit rests on.
    species_sd : float
        Standard deviation of species within their group, on the log scale.
    log_likelihood : float
    plants : PlantVariation or None
        How plants of one kind differ; None: not learned, they are taken to dry alike.
    """

    family: str
    names: Names
    estimate: Array
    covariance: Array
    n_sites: int = 100
    n_dry_downs: int = 0
    species_sd: float = 0.0
    log_likelihood: float = np.nan
    plants: PlantVariation | None = None

    @classmethod
    def known(cls, effects: Mapping[str, Mapping[str, float]], shape: float, misclassified: float = 0.0) -> DryingModel:
        """A Weibull distribution that is known for sure, such as the one that an invented company is made by.

        Parameters
        ----------
        effects : mapping of str to mapping of str to float
            Term -> level -> effect on the log scale, in days.
        shape : float
        misclassified : float
            Share of inspections that note the wrong state.

        Returns
        -------
        DryingModel
            With a covariance of zero.

        Examples
        --------
        >>> fig = DryingModel.known({"species": {"Ficus lyrata": np.log(10)}}, shape=3.0)
        >>> round(fig.shape, 6), fig.misclassified < 1e-20
        (3.0, True)
        """
        pairs = {(term, level): value for term, levels in effects.items() for level, value in levels.items()}
        logit = special.logit(misclassified) if misclassified > 0 else NO_MISCLASSIFICATION
        estimate = np.array([0.0, *pairs.values(), np.log(shape), logit])
        return cls("Weibull", (("intercept", ""), *pairs), estimate, np.zeros((len(estimate), len(estimate))))

    @property
    def shape(self) -> float:
        """The larger, the more alike the drying times under the same conditions."""
        return float(np.exp(self.estimate[-2]))

    @property
    def misclassified(self) -> float:
        """Share of inspections that noted dry for not dry, or the reverse."""
        return float(special.expit(self.estimate[-1]))

    @property
    def df(self) -> int:
        """Degrees of freedom of intervals: the number of sites less one."""
        return max(self.n_sites - 1, 1)

    def design(self, plants: pd.DataFrame) -> sparse.csr_array:
        """Which effects act on each row.

        Parameters
        ----------
        plants : pandas.DataFrame
            One row per profile: species, light, pot, planter, heating (true or false).

        Returns
        -------
        scipy.sparse.csr_array, shape (rows, effects)
            A level that was never seen adds nothing: it counts as the middle of its term.
        """
        return design_matrix(plants, self.names)

    def log_scale(self, plants: pd.DataFrame) -> Array:
        """Log of the scale of the drying time, in days, of each profile (rows as in `design`).

        Parameters
        ----------
        plants : pandas.DataFrame
            Standing plants or profiles, one row each.

        Returns
        -------
        numpy.ndarray, shape (profiles,)
        """
        return kinds_of(plants, self.names).log_scale(self.estimate[:-2])

    def still_moist(self, plants: pd.DataFrame, days: Array | float, members: Members | None = None) -> Array:
        """Share of plants of each profile whose topsoil is not yet dry, so many days after watering.

        Parameters
        ----------
        plants : pandas.DataFrame
            Standing plants or profiles, one row each.
        days : numpy.ndarray or float
            Since watering.
        members : Members, optional
            As in `days_until_dry`.

        Returns
        -------
        numpy.ndarray
        """
        if members is not None and self.plants is not None:
            mixture = between_plants.Mixture(self.family, self.log_scale(plants), self.plants, members)
            return mixture.moist(np.broadcast_to(days, len(plants)))
        return distribution.still_moist(self.family, days, self.log_scale(plants), self.shape)

    def days_until_dry(self, plants: pd.DataFrame, share: float, members: Members | None = None) -> Interval:
        """Days after watering until the topsoil of a share of plants is dry.

        Parameters
        ----------
        plants : pandas.DataFrame
            One row per profile, as in `design`.
        share : float
            0.5 is half of them.
        members : Members, optional
            The plants of each profile, whose own drying then counts where it is known (`plants`).

        Returns
        -------
        Interval
            One value per profile; the limits allow for differences between sites and for shrinkage, and with members
            for what is not known of each plant.

        Notes
        -----
        Quantile of the fitted distribution: log scale + log(-log(1 - share)) / shape for the Weibull; with members that
        of the mixture of their distributions (`between_plants.Mixture`). Delta method on the log scale,
        Student's t with as many degrees of freedom as sites less one.
        """
        x, scale = self.design(plants), self.log_scale(plants)
        if members is not None and self.plants is not None:
            mixture = between_plants.Mixture(self.family, scale, self.plants, members)
            return ratio_limits(*mixture.log_days_until_dry(share, x.toarray(), self.covariance), df=self.df)
        middle = distribution.days_until_dry(self.family, share, scale, self.shape)
        # log quantile = effects + c / shape, so its slope by log shape is -c / shape.
        slopes = np.hstack([x.toarray(), (scale - np.log(middle))[:, None], np.zeros((len(plants), 1))])
        se = np.sqrt(np.einsum("ij,jk,ik->i", slopes, self.covariance, slopes))
        return ratio_limits(np.log(middle), se, df=self.df)

    def with_plants(self, dry_downs: pd.DataFrame) -> DryingModel:
        """The same fit, with how its plants differ from one another.

        Parameters
        ----------
        dry_downs : pandas.DataFrame
            Those of the fit, with plant_id.

        Returns
        -------
        DryingModel
        """
        varied = between_plants.plant_variation(
            self.family,
            observations_of(dry_downs),
            self.log_scale(dry_downs),
            dry_downs["plant_id"],
            *(float(each) for each in self.estimate[-2:]),
        )
        return replace(self, plants=varied)

    def samples(self, number: int, seed: int) -> Array:
        """Parameters as likely as the dry-downs leave them: number x parameters.

        Parameters
        ----------
        number : int
            How many.
        seed : int
            Seed of the random numbers; the same seed gives the same result.

        Returns
        -------
        numpy.ndarray, shape (number, parameters)
        """
        values, vectors = linalg.eigh(self.covariance)
        # The symmetric root is one and the same whatever signs and order a machine gives the eigenvectors.
        root = vectors * np.sqrt(np.maximum(values, 0.0)) @ vectors.T
        random = np.random.Generator(np.random.PCG64(seed)).standard_normal((number, len(values)))
        return self.estimate + random @ root

    def ratio(self, term: str, level: str, to: str) -> tuple[float, float, float]:
        """Ratio of the drying times of two levels.

        Parameters
        ----------
        term : str
            One of `TERMS`.
        level : str
            In the numerator.
        to : str
            In the denominator.

        Returns
        -------
        estimate, low, high : float
        """
        contrast = np.zeros(len(self.estimate))
        contrast[self.names.index((term, level))] += 1
        contrast[self.names.index((term, to))] -= 1
        se = np.sqrt(contrast @ self.covariance @ contrast)
        estimate, low, high = ratio_limits(contrast @ self.estimate, se, df=self.df)
        return float(estimate), float(low), float(high)

    def limits(self, parameter: int) -> tuple[float, float]:
        """Limits of one parameter on its own scale, such as -2 for log shape and -1 for the misclassification logit.

        Parameters
        ----------
        parameter : int
            Its number.

        Returns
        -------
        low, high : float
        """
        half_width = quantile(CONF_LEVEL, self.df) * float(np.sqrt(self.covariance[parameter, parameter]))
        return self.estimate[parameter] - half_width, self.estimate[parameter] + half_width
