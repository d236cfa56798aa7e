"""Published dead space, CO2 and its stores."""

from __future__ import annotations

from functools import partial

from ebbmap.validation import measured, stores
from ebbmap.validation.finding import Finding
from ebbmap.validation.sources import HYPERVENTILATION

CO2 = (
    Finding(
        "restrictive: dead space over tidal volume",
        "Nuckton et al., N Engl J Med 2002;346:1281, n = 179",
        "read",
        (0.52, 0.64),
        partial(measured.dead_space, "restrictive"),
        fitted=True,
        note="0.58 +/- 0.09; their tidal volume is assumed 8 mL/kg, 6 or 10 move it by 0.05",
    ),
    Finding(
        "normal: dead space over tidal volume",
        "anaesthesia question book",
        "read",
        (0.25, 0.35),
        partial(measured.dead_space, "normal"),
        note="about 0.3; 8 mL/kg assumed",
        why="airway, apparatus and alveolar parts together are a little large",
    ),
    Finding(
        "usual production of CO2",
        "reference page and textbooks: usually 200 mL/min",
        "read",
        (180.0, 220.0),
        measured.usual_production,
        units="mL min-1",
        fitted=True,
        note="to a tenth",
    ),
    Finding(
        "pH of usual bicarbonate at 40 mmHg",
        "lecture notes: 7.40",
        "read",
        (7.395, 7.405),
        measured.usual_ph,
        fitted=True,
    ),
    Finding(
        "restrictive: ventilatory ratio",
        "Sinha et al.; Grieco et al., Crit Care 2020;24:529",
        "read",
        (1.6, 2.1),
        measured.ventilatory_ratio,
    ),
    Finding(
        "CO2 washed out by 12 min of hyperventilation",
        HYPERVENTILATION,
        "read",
        (2400.0, 2600.0),
        stores.washed_out,
        units="mL",
        note="about 2.5 L",
        why="the body's stores of CO2 are too small",
    ),
    Finding(
        "share of it back after 12 min",
        HYPERVENTILATION,
        "read",
        (0.28, 0.39),
        stores.taken_back,
        note="a third",
        why="the body's slow store of CO2 is too small",
    ),
    Finding(
        "apnoea awake, after the jump",
        "Stock et al., J Clin Anesth 1988;1:96",
        "read",
        (5.5, 6.5),
        partial(stores.rise, 20.0, 80.0, 200.0),
        units="mmHg min-1",
        fitted=True,
        note="6 mmHg/min; production is not printed, 200 mL/min assumed",
    ),
    Finding(
        "apnoea under anaesthesia",
        "Eger and Severinghaus, Anesthesiology 1961;22:419",
        "memory",
        (3.0, 4.0),
        partial(stores.rise, 60.0, 300.0, 170.0),
        units="mmHg min-1",
        fitted=True,
        note="about 3.5 mmHg/min; 170 mL/min assumed",
    ),
)
