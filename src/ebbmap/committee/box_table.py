"""The numbers of boxes, certificates and defaults, while they are found and afterwards."""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr

from ebbmap.committee.needs import what_holds
from ebbmap.committee.verdict import EXCLUDED

#: Shares at which the trade-off between size and share served is given.
TRADE_SHARES = np.round(np.arange(0.05, 1.0, 0.05), 2)


class BoxTable:
    """Numbers of a scope and group while they are found, or of all scopes and groups.

    Parameters
    ----------
    shape : tuple of int
        Scopes and groups, or nothing for a single one of each.
    parameters : int
        Settings of the draft.
    """

    def __init__(self, shape: tuple[int, ...], parameters: int):
        self.box = np.full((*shape, parameters, 2), np.nan)
        self.certified = np.full((*shape, 3), np.nan)
        self.verdict = np.full(shape, EXCLUDED, dtype=object)
        self.attempts = np.zeros(shape, int)
        self.default = np.full((*shape, parameters), np.nan)
        self.default_share = np.full((*shape, 3), np.nan)
        self.default_margin = np.full(shape, np.nan)
        self.default_verdict = np.full(shape, EXCLUDED, dtype=object)
        self.own = np.full((*shape, 3), np.nan)
        self.own_doubtful = np.full(shape, np.nan)
        self.own_gain = np.full(shape, np.nan)
        self.own_settings = np.zeros(shape, int)
        self.trade = np.full((*shape, len(TRADE_SHARES)), np.nan)

    def dataset(self) -> xr.Dataset:
        """Return the numbers, with dimensions that mean nothing beyond this module."""
        return xr.Dataset(
            {
                name: (
                    [f"{name}_{axis}" for axis in range(array.ndim)],
                    array.astype(str) if array.dtype == object else array,
                )
                for name, array in vars(self).items()
            }
        )

    @classmethod
    def of(cls, parts: list[xr.Dataset], shape: tuple[int, ...]) -> BoxTable:
        """Put the numbers of single scopes and groups together."""
        table = cls(shape, parts[0].sizes["default_0"])
        for name in vars(table):
            stacked = np.stack([part[name].values for part in parts])
            setattr(table, name, stacked.reshape(*shape, *stacked.shape[1:]))
        return table

    def variables(self, wanted: list[float]) -> dict[str, Any]:
        """Return the numbers of all scopes and groups as variables.

        Parameters
        ----------
        wanted : list of float
            Share of lungs that must be served, by group.
        """
        dims = ("scope", "group")
        needs = [
            what_holds(self.verdict[0, g], self.verdict[1, g], tuple(self.own[1, g, 1:]), share)
            for g, share in enumerate(wanted)
        ]
        return {
            "box": ((*dims, "parameter", "end"), self.box),
            "box_verdict": (dims, self.verdict.astype(str)),
            "default_verdict": (dims, self.default_verdict.astype(str)),
            "attempts": (dims, self.attempts),
            **_share("certified_share", self.certified),
            **_share("default_share", self.default_share),
            **_share("own_setting_share", self.own),
            "own_setting_doubtful": (dims, self.own_doubtful),
            "own_setting_gain": (dims, self.own_gain),
            "own_setting_settings": (dims, self.own_settings),
            "default": ((*dims, "parameter"), self.default),
            "default_margin": (dims, self.default_margin),
            "trade_off": ((*dims, "served"), self.trade),
            "needs": ("group", needs),
        }


def _share(name: str, table: np.ndarray) -> dict[str, Any]:
    """Return a share and its interval as variables, from (scope, group, 3)."""
    dims = ("scope", "group")
    return {
        name: (dims, table[..., 0]),
        f"{name}_interval": ((*dims, "ci_bound"), table[..., 1:]),
    }
