"""Which modules are mutated, in rooms, and which tests are asked about each of them first."""

from __future__ import annotations

#: Modules below src/ebbmap, by the room whose share of the sample they take. The longest
#: beginning that fits decides, so a module belongs to one room.
ROOMS = {
    "registries": ("parameters.py", "outcomes.py", "limits.py", "populations.py", "units.py",
                   "derivations.py", "exchange/"),
    "kernels": ("analysis/kernels/",),
    "analyses": ("analysis/",),
    "committee": ("analysis/committee/", "draft.py", "protocol/"),
    "study": ("study/", "cases.py"),
    "run": ("run.py", "pieces.py"),
    "plotting": ("plotting/",),
    "report": ("report/",),
    "teaching": ("teaching/",),
    "show": ("show.py",),
}  # fmt: skip

_NUMBERS = ("tests/test_registry_values.py", "tests/analysis/test_defaults.py")
_BOOKS = (*_NUMBERS, "tests/test_evaluate.py", "tests/lungs/test_linear.py",
          "tests/test_registry.py")  # fmt: skip
_READ = ("tests/analysis/test_read_back.py",)
_TAUGHT = ("tests/analysis/test_teaching_figures.py",)
_DEEP = ("tests/analysis/test_sensitivity.py", "tests/analysis/test_deep_sensitivity.py",
         "tests/analysis/test_drivers.py")  # fmt: skip
_COMMITTEE = ("tests/test_draft.py", "tests/analysis/committee/test_verdict_by_hand.py",
              "tests/analysis/committee/test_searches_by_hand.py",
              "tests/analysis/committee", "tests/protocol", *_NUMBERS)  # fmt: skip
_PLACES = ("tests/plotting/test_places_by_value.py",)
_DRAWN = (*_PLACES, "tests/plotting/test_read_back.py")
_LECTURE = (*_PLACES, "tests/plotting/test_teaching_plots.py")

#: Tests of a module, cheapest first. The longest beginning that fits decides.
TESTS = {
    "": _BOOKS,
    "outcomes.py": (*_BOOKS, "tests/exchange"),
    "exchange/": ("tests/exchange", "tests/external/test_gas_exchange.py",
                  "tests/external/test_mechanical_power.py", "tests/test_registry_values.py"),
    "limits.py": ("tests/test_registry_values.py", "tests/test_limits.py",
                  "tests/test_registry.py"),
    "populations.py": ("tests/test_registry_values.py", "tests/test_populations.py",
                       "tests/test_registry.py"),
    "derivations.py": ("tests/test_registry_values.py", "tests/test_evaluate.py",
                       "tests/test_simulate.py"),
    "analysis/kernels/": ("tests/analysis/test_shares_kernel.py",
                          "tests/external/test_share_intervals.py"),
    "analysis/kernels/boxes.py": ("tests/analysis/test_contrast_and_boxes.py",
                                  "tests/analysis/test_box_density.py"),
    "analysis/kernels/changes.py": ("tests/analysis/test_windows_kernel.py",
                                    "tests/analysis/test_windows.py"),
    "analysis/kernels/contrast.py": ("tests/analysis/test_contrast_and_boxes.py",),
    "analysis/kernels/fronts.py": ("tests/analysis/test_fronts_kernel.py",
                                   "tests/analysis/test_trade.py"),
    "analysis/kernels/morris.py": ("tests/external/test_screening_and_pawn.py", *_DEEP),
    "analysis/kernels/pawn.py": ("tests/external/test_screening_and_pawn.py", *_DEEP),
    "analysis/kernels/paths.py": ("tests/analysis/test_teaching_figures.py",),
    "analysis/kernels/resampling.py": ("tests/analysis/test_sobol_kernel.py", *_DEEP),
    "analysis/kernels/safe_boxes.py": ("tests/analysis/test_safe_boxes_kernel.py",),
    "analysis/kernels/serving.py": ("tests/analysis/test_serving_kernel.py",
                                    "tests/analysis/test_windows.py"),
    "analysis/kernels/shapley.py": ("tests/external/test_shapley_exact.py", *_DEEP),
    "analysis/kernels/sobol.py": ("tests/analysis/test_sobol_kernel.py",
                                  "tests/external/test_sobol_exact.py"),
    "analysis/kernels/tally.py": ("tests/analysis/test_tally_kernel.py",),
    "analysis/kernels/windows.py": ("tests/analysis/test_windows_kernel.py",
                                    "tests/analysis/test_windows.py",
                                    "tests/external/test_release_windows_closed_form.py"),
    "analysis/": (*_READ, *_TAUGHT, *_NUMBERS),
    "analysis/adjusting.py": (*_TAUGHT, *_READ),
    "analysis/boxes.py": (*_READ, "tests/analysis/test_deep_sensitivity.py", *_NUMBERS),
    "analysis/collapse.py": ("tests/analysis/test_collapse.py", *_NUMBERS),
    "analysis/course.py": ("tests/analysis/test_course.py",),
    "analysis/drivers.py": ("tests/analysis/test_drivers.py", *_READ,
                            "tests/analysis/test_deep_sensitivity.py", *_NUMBERS),
    "analysis/events.py": ("tests/analysis/test_events.py", *_READ, *_NUMBERS),
    "analysis/mapping.py": (*_READ, "tests/analysis/test_deep_sensitivity.py", *_NUMBERS),
    "analysis/profiles.py": (*_READ, "tests/plotting/test_plots.py"),
    "analysis/regions.py": ("tests/analysis/test_regions.py", *_READ, *_NUMBERS),
    "analysis/screening.py": (*_READ, *_DEEP[:2], *_NUMBERS),
    "analysis/sensitivity.py": ("tests/analysis/test_sensitivity.py",
                                "tests/analysis/test_drivers.py", *_NUMBERS),
    "analysis/shapley.py": (*_READ, *_DEEP[:2], *_NUMBERS),
    "analysis/starting.py": (*_TAUGHT, *_NUMBERS),
    "analysis/hidden.py": (*_TAUGHT, *_NUMBERS),
    "analysis/trade.py": ("tests/analysis/test_trade.py", *_READ),
    "analysis/weaning.py": (*_TAUGHT, *_READ, *_NUMBERS),
    "analysis/windows.py": ("tests/analysis/test_windows.py", *_READ, *_NUMBERS),
    "analysis/committee/": _COMMITTEE,
    "draft.py": _COMMITTEE,
    "protocol/": ("tests/protocol", "tests/analysis/committee"),
    "study/": ("tests/study/test_declared_and_used.py", "tests/study/test_reading.py",
               "tests/study/test_study.py", "tests/study", *_NUMBERS),
    "cases.py": ("tests/test_cases.py", "tests/study"),
    "run.py": ("tests/test_run_plans.py", "tests/test_run.py",
               "tests/streaming/test_kept_pieces.py"),
    "pieces.py": ("tests/test_pieces.py", "tests/test_run_plans.py", "tests/test_run.py"),
    "plotting/": (*_PLACES, "tests/plotting/test_plots.py"),
    "plotting/interactions.py": _DRAWN,
    "plotting/trade.py": _DRAWN,
    "plotting/adjusting.py": _LECTURE,
    "plotting/clouds.py": _LECTURE,
    "plotting/collapse.py": (*_PLACES, "tests/plotting/test_collapse_plots.py"),
    "plotting/committee.py": ("tests/plotting/test_committee_plots.py",),
    "plotting/hidden.py": _LECTURE,
    "plotting/maps.py": (*_PLACES, "tests/plotting/test_plots.py"),
    "plotting/pages/": _DRAWN,
    "plotting/pages/caption.py": ("tests/plotting/test_captions.py",
                                  "tests/plotting/test_layout.py"),
    "plotting/pages/comparing.py": _LECTURE,
    "plotting/pages/collapse.py": (*_PLACES, "tests/plotting/test_collapse_plots.py"),
    "plotting/pages/layout.py": ("tests/plotting/test_captions.py",
                                 "tests/plotting/test_layout.py"),
    "plotting/starting.py": _LECTURE,
    "plotting/style.py": ("tests/plotting/test_plots.py", "tests/plotting/test_layout.py"),
    "report/": ("tests/report/test_tables_by_value.py", "tests/report/test_sentences.py",
                "tests/report/test_report.py"),
    "teaching/": ("tests/teaching/test_page_data.py", "tests/teaching/test_page.py", *_NUMBERS),
    "show.py": ("tests/test_show.py", "tests/test_cli.py", "tests/test_figures_command.py"),
}  # fmt: skip


def best_match(module: str, table) -> str:
    """Return the longest key of a table that a module's path begins with.

    Examples
    --------
    >>> best_match("analysis/kernels/sobol.py", ("analysis/", "analysis/kernels/"))
    'analysis/kernels/'
    """
    return max((key for key in table if module.startswith(key)), key=len)


def room_of(module: str) -> str | None:
    """Return the room of a module, or None where it is not mutated."""
    fits = {start: room for room, starts in ROOMS.items() for start in starts}
    known = [start for start in fits if module.startswith(start)]
    return fits[max(known, key=len)] if known else None
