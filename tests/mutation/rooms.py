"""Which modules are mutated, in rooms, and which tests are asked about each of them first."""

from __future__ import annotations

#: Modules below src/ebbmap, by the room whose share of the sample they take. The longest
#: beginning that fits decides, so a module belongs to one room.
ROOMS = {
    "registries": (
        "registries/",
        "registry.py",
        "units.py",
        "exchange/",
    ),
    "kernels": ("kernels/",),
    "catalogue": ("catalogue/",),
    "analyses": ("analyses/",),
    "committee": ("committee/", "committee/draft.py", "files/protocol/"),
    "study": ("files/study/", "cases/question.py"),
    "run": ("runs/run.py", "cases/pieces.py"),
    "plotting": ("plotting/",),
    "report": ("report/",),
    "teaching": ("teaching/",),
    "tables": ("tables/",),
}

_NUMBERS = ("tests/registries/test_registry_values.py", "tests/analyses/test_defaults.py")
_BOOKS = (
    *_NUMBERS,
    "tests/cases/test_evaluate.py",
    "tests/lungs/test_linear.py",
    "tests/registries/test_registry.py",
)
_READ = ("tests/analyses/test_read_back.py",)
_TAUGHT = ("tests/analyses/test_teaching_figures.py",)
_DEEP = (
    "tests/analyses/test_sensitivity.py",
    "tests/analyses/test_deep_sensitivity.py",
    "tests/analyses/test_drivers.py",
)
_COMMITTEE = (
    "tests/committee/test_draft.py",
    "tests/committee/test_verdict_by_hand.py",
    "tests/committee/test_searches_by_hand.py",
    "tests/committee",
    "tests/files/protocol",
    *_NUMBERS,
)
_PLACES = ("tests/plotting/test_places_by_value.py",)
_DRAWN = (*_PLACES, "tests/plotting/test_read_back.py")
_LECTURE = (*_PLACES, "tests/plotting/test_teaching_plots.py")

#: Tests of a module, cheapest first. The longest beginning that fits decides.
TESTS = {
    "": _BOOKS,
    "registries/": _BOOKS,
    "registries/outcomes/": (*_BOOKS, "tests/exchange"),
    "exchange/": (
        "tests/exchange",
        "tests/external/test_gas_exchange.py",
        "tests/external/test_mechanical_power.py",
        "tests/registries/test_registry_values.py",
    ),
    "registries/limits.py": (
        "tests/registries/test_registry_values.py",
        "tests/registries/test_limits.py",
        "tests/registries/test_registry.py",
    ),
    "registries/strategies.py": ("tests/registries/test_strategies.py",),
    **dict.fromkeys(
        ("registries/populations.py", "registries/copula.py", "registries/distributions.py"),
        (
            "tests/registries/test_registry_values.py",
            "tests/registries/test_populations.py",
            "tests/registries/test_registry.py",
        ),
    ),
    "registries/derivations.py": (
        "tests/registries/test_registry_values.py",
        "tests/cases/test_evaluate.py",
        "tests/cases/test_simulate.py",
    ),
    "catalogue/": ("tests/catalogue/test_catalogue.py", "tests/catalogue/test_use.py"),
    "kernels/": ("tests/kernels/test_shares_kernel.py", "tests/external/test_share_intervals.py"),
    "kernels/boxes.py": (
        "tests/analyses/test_contrast_and_boxes.py",
        "tests/analyses/test_box_density.py",
    ),
    "kernels/judging.py": ("tests/registries/test_limits.py",),
    "kernels/changes.py": (
        "tests/kernels/test_windows_kernel.py",
        "tests/analyses/test_windows.py",
    ),
    "kernels/contrast.py": ("tests/analyses/test_contrast_and_boxes.py",),
    "kernels/choosing.py": ("tests/kernels/test_foretelling_kernel.py",),
    "kernels/dropping.py": ("tests/kernels/test_dropping_kernel.py",),
    "kernels/excess.py": ("tests/kernels/test_excess_kernel.py",),
    "kernels/exclusion.py": ("tests/kernels/test_exclusion_kernel.py",),
    "kernels/foretelling.py": ("tests/kernels/test_foretelling_kernel.py",),
    "kernels/fronts.py": ("tests/kernels/test_fronts_kernel.py", "tests/analyses/test_trade.py"),
    "kernels/morris.py": ("tests/external/test_screening_and_pawn.py", *_DEEP),
    "kernels/pawn.py": ("tests/external/test_screening_and_pawn.py", *_DEEP),
    "kernels/paths.py": ("tests/analyses/test_teaching_figures.py",),
    "kernels/resampling.py": ("tests/kernels/test_sobol_kernel.py", *_DEEP),
    "kernels/rare.py": ("tests/external/test_rare_exact.py",),
    "kernels/chaos.py": ("tests/external/test_chaos_exact.py",),
    "kernels/covering.py": ("tests/kernels/test_covering_kernel.py",),
    "kernels/refining.py": ("tests/external/test_refining_exact.py",),
    "kernels/safe_boxes.py": ("tests/kernels/test_safe_boxes_kernel.py",),
    "kernels/serving.py": (
        "tests/kernels/test_serving_kernel.py",
        "tests/analyses/test_windows.py",
    ),
    "kernels/shapley.py": ("tests/external/test_shapley_exact.py", *_DEEP),
    "kernels/events.py": (
        "tests/kernels/test_events_kernel.py",
        "tests/external/test_interval_coverage.py",
    ),
    "kernels/sobol.py": (
        "tests/kernels/test_sobol_kernel.py",
        "tests/external/test_sobol_exact.py",
    ),
    "kernels/tally.py": ("tests/kernels/test_tally_kernel.py",),
    "kernels/windows.py": (
        "tests/kernels/test_windows_kernel.py",
        "tests/analyses/test_windows.py",
        "tests/external/test_release_windows_closed_form.py",
    ),
    "analyses/": (*_READ, *_TAUGHT, *_NUMBERS),
    "analyses/adjust.py": (*_TAUGHT, *_READ),
    "analyses/boxes.py": (*_READ, "tests/analyses/test_deep_sensitivity.py", *_NUMBERS),
    "analyses/collapse.py": ("tests/analyses/test_collapse.py", *_NUMBERS),
    "analyses/course.py": ("tests/analyses/test_course.py",),
    "analyses/sobol.py": (
        "tests/analyses/test_drivers.py",
        *_READ,
        "tests/analyses/test_deep_sensitivity.py",
        *_NUMBERS,
    ),
    "analyses/common/events.py": ("tests/analyses/test_events.py", *_READ, *_NUMBERS),
    "analyses/mapping.py": (*_READ, "tests/analyses/test_deep_sensitivity.py", *_NUMBERS),
    "analyses/profile.py": (*_READ, "tests/plotting/test_plots.py"),
    "analyses/map.py": ("tests/analyses/test_regions.py", *_READ, *_NUMBERS),
    "analyses/screening.py": (*_READ, *_DEEP[:2], *_NUMBERS),
    "analyses/common/sensitivity.py": (
        "tests/analyses/test_sensitivity.py",
        "tests/analyses/test_drivers.py",
        *_NUMBERS,
    ),
    "analyses/shapley.py": (*_READ, *_DEEP[:2], *_NUMBERS),
    "analyses/startup.py": (*_TAUGHT, *_NUMBERS),
    "analyses/inside.py": (*_TAUGHT, *_NUMBERS),
    "analyses/foretell.py": ("tests/analyses/test_foretell.py",),
    **dict.fromkeys(
        ("analyses/limits.py", "analyses/common/each_limit.py"),
        ("tests/analyses/test_limits.py",),
    ),
    **dict.fromkeys(
        ("analyses/strategies.py", "analyses/common/starting.py"),
        ("tests/analyses/test_strategies.py",),
    ),
    "analyses/together.py": ("tests/analyses/test_together.py",),
    "analyses/trade.py": ("tests/analyses/test_trade.py", *_READ),
    "analyses/wean.py": (*_TAUGHT, *_READ, *_NUMBERS),
    "analyses/window.py": ("tests/analyses/test_windows.py", *_READ, *_NUMBERS),
    "committee/": _COMMITTEE,
    "committee/draft.py": _COMMITTEE,
    "files/protocol/": ("tests/files/protocol", "tests/committee"),
    "files/study/": (
        "tests/files/study/test_declared_and_used.py",
        "tests/files/study/test_reading.py",
        "tests/files/study/test_study.py",
        "tests/files/study",
        *_NUMBERS,
    ),
    "cases/question.py": (
        "tests/cases/test_cases.py",
        "tests/cases/test_batches.py",
        "tests/files/study",
    ),
    "runs/run.py": (
        "tests/runs/test_run_plans.py",
        "tests/runs/test_run.py",
        "tests/runs/test_kept_pieces.py",
    ),
    "cases/pieces.py": (
        "tests/cases/test_pieces.py",
        "tests/runs/test_run_plans.py",
        "tests/runs/test_run.py",
    ),
    "plotting/": (*_PLACES, "tests/plotting/test_plots.py"),
    "plotting/sobol_pairs.py": _DRAWN,
    "plotting/trade.py": _DRAWN,
    "plotting/adjust.py": _LECTURE,
    "plotting/window.py": (*_LECTURE, "tests/plotting/test_plots.py"),
    "plotting/collapse.py": (*_PLACES, "tests/plotting/test_collapse_plots.py"),
    "plotting/committee.py": ("tests/plotting/test_committee_plots.py",),
    "plotting/inside.py": _LECTURE,
    "plotting/map.py": (*_PLACES, "tests/plotting/test_plots.py"),
    "plotting/pages/": _DRAWN,
    "plotting/pages/caption.py": (
        "tests/plotting/test_captions.py",
        "tests/plotting/test_layout.py",
    ),
    "plotting/pages/compare.py": _LECTURE,
    "plotting/pages/collapse.py": (*_PLACES, "tests/plotting/test_collapse_plots.py"),
    "plotting/pages/layout.py": (
        "tests/plotting/test_captions.py",
        "tests/plotting/test_layout.py",
    ),
    "plotting/startup.py": _LECTURE,
    "plotting/style.py": ("tests/plotting/test_plots.py", "tests/plotting/test_layout.py"),
    "report/": (
        "tests/report/test_tables_by_value.py",
        "tests/report/test_sentences.py",
        "tests/report/test_report.py",
    ),
    "teaching/": ("tests/teaching/test_page.py", *_NUMBERS),
    "tables/": (
        "tests/tables/test_show.py",
        "tests/cli/test_commands.py",
        "tests/report/test_figures_command.py",
    ),
}


def best_match(module: str, table) -> str:
    """Return the longest key of a table that a module's path begins with.

    Examples
    --------
    >>> best_match("kernels/sobol.py", ("analyses/", "kernels/"))
    'kernels/'
    """
    return max((key for key in table if module.startswith(key)), key=len)


def room_of(module: str) -> str | None:
    """Return the room of a module, or None where it is not mutated."""
    fits = {start: room for room, starts in ROOMS.items() for start in starts}
    known = [start for start in fits if module.startswith(start)]
    return fits[max(known, key=len)] if known else None
