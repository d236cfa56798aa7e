"""Every table of a check, in the order of its report."""

from __future__ import annotations

from ebbmap.committee.check import Check
from ebbmap.tables.committee.beside import beside_table
from ebbmap.tables.committee.boxes import box_table, default_table, trade_off_table
from ebbmap.tables.committee.draft import draft_table, limit_table, population_table
from ebbmap.tables.committee.drivers import driver_table, parting_table
from ebbmap.tables.committee.each_limit import limits_tables
from ebbmap.tables.committee.patients import (
    failing_table,
    patient_table,
    recognise_table,
    worst_table,
)
from ebbmap.tables.committee.verdict import (
    breathing_table,
    corner_table,
    knowledge_table,
    per_lung_table,
    verdict_table,
)
from ebbmap.tables.committee.windows import overlap_table, way_table, window_table
from ebbmap.tables.model import Table


def check_tables(check: Check) -> dict[str, Table]:
    """Return every table of a report by name, in the order of the page."""
    results, protocol = check.results, check.protocol
    made = [
        patient_table(results["patients"]),
        recognise_table(results["patients"]),
        worst_table(results["patients"], protocol.limits),
        *([beside_table(results["beside"])] if "beside" in results else []),
        draft_table(protocol),
        verdict_table(results["verdict"]),
        *(
            [breathing_table(results["breathing"], protocol.limits)]
            if "breathing" in results
            else []
        ),
        *([knowledge_table(results["knowledge"])] if "knowledge" in results else []),
        per_lung_table(results["verdict"]),
        failing_table(results["broken"], protocol.limits),
        *limits_tables(results["limits"]),
        corner_table(results["verdict"]),
        box_table(results["boxes"]),
        default_table(results["boxes"]),
        trade_off_table(results["boxes"]),
        way_table(results["ways"]),
        window_table(results["windows"]),
        overlap_table(results["windows"]),
        parting_table(results["parting"]),
        *([driver_table(results["drivers"])] if "drivers" in results else []),
        limit_table(protocol.limits),
        population_table(protocol),
    ]
    return {table.name: table for table in made}
