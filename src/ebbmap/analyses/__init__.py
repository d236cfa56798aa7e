"""The analyses: one file each, named by its key in a study file.

Each module holds an options model, the function ``find_NAME(question, options)`` and an entry,
``ANALYSIS``. What else there is in the house (study schema, checks, runner, costs, tables, pages)
is derived from these entries.
"""

#: Every analysis, in the order in which a study runs them.
NAMES = (
    "window",
    "profile",
    "trade",
    "course",
    "compare",
    "startup",
    "inside",
    "collapse",
    "adjust",
    "wean",
    "rules",
    "foretell",
    "together",
    "limits",
    "strategies",
    "unknowns",
    "map",
    "edge",
    "robust",
    "mapping",
    "boxes",
    "given",
    "rare",
    "shapley",
    "screening",
    "slopes",
    "sobol",
    "sweep",
)
