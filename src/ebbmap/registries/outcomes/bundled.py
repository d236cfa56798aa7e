"""The outcomes that ship with the package, in their order."""

from __future__ import annotations

from ebbmap.registries.outcomes.compartments import COMPARTMENTS
from ebbmap.registries.outcomes.conventional import CONVENTIONAL
from ebbmap.registries.outcomes.entry import Outcome
from ebbmap.registries.outcomes.gas_exchange import GAS_EXCHANGE
from ebbmap.registries.outcomes.load import LOAD
from ebbmap.registries.outcomes.mechanics import MECHANICS
from ebbmap.registries.outcomes.recruitment import RECRUITMENT_AND_EFFORT
from ebbmap.registry import Registry

OUTCOMES: Registry[Outcome] = Registry(
    "outcome",
    (*MECHANICS, *GAS_EXCHANGE, *LOAD, *COMPARTMENTS, *RECRUITMENT_AND_EFFORT, *CONVENTIONAL),
)

outcome = OUTCOMES.named
