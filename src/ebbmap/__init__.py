"""Maps of where two-level, time-cycled pressure ventilation is safe, for which lungs, and why.

Research and teaching only, not for setting a ventilator: local protocols and licensed clinicians
decide. The names below are loaded when they are first used.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach(
    __name__,
    submod_attrs={
        "simulate": ["simulate", "start_up"],
        "waveforms": ["waveforms"],
    },
)
