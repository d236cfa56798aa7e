"""The registry of inputs: every setting, lung property and patient datum, declared once."""

from __future__ import annotations

from ebbmap.registries.parameters.compartments import COMPARTMENTS
from ebbmap.registries.parameters.conventional import CONVENTIONAL
from ebbmap.registries.parameters.entry import Kind, Parameter, inputs_of
from ebbmap.registries.parameters.gas_exchange import GAS_EXCHANGE, SPONTANEOUS
from ebbmap.registries.parameters.mechanics import MECHANICS
from ebbmap.registries.parameters.recoil_and_effort import RECOIL_AND_EFFORT
from ebbmap.registry import Registry

__all__ = [
    "PARAMETERS",
    "SPONTANEOUS",
    "Kind",
    "Parameter",
    "inputs_of",
    "parameter",
]

PARAMETERS: Registry[Parameter] = Registry(
    "parameter", (*MECHANICS, *GAS_EXCHANGE, *COMPARTMENTS, *RECOIL_AND_EFFORT, *CONVENTIONAL)
)

parameter = PARAMETERS.named
