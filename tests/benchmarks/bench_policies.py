"""A policy on many patients over 48 hours, decisions included, by the engine JAX.

Run: python tests/benchmarks/bench_policies.py [PATIENTS] [LUNG]

PATIENTS is how many each of the three groups has (333,334 on a GPU, 100 on a processor); LUNG is
the default one unless named. Every group is followed twice: the first call compiles.
"""

import sys
import time
from dataclasses import replace
from pathlib import Path

POLICY = Path(__file__).parents[2] / "studies" / "policies" / "textbook.toml"


def main(patients: int | None, lung: str) -> None:
    from ebbmap.engines import has_accelerator, use_engine
    from ebbmap.files.policy import load_policy
    from ebbmap.lungs import lung_model
    from ebbmap.policies.simulate import simulate_piece

    policy = load_policy(POLICY)
    with use_engine("jax"):
        patients = patients or (333_334 if has_accelerator() else 100)
        protocol = replace(policy.protocol, lungs=patients, lung=lung_model(lung))
        policy = replace(policy, protocol=protocol, hours=48)
        for call in ("first", "second"):
            every = 0.0
            for number, group in enumerate(protocol.groups):
                begun = time.perf_counter()
                course = simulate_piece(policy, number, 0)
                seconds = time.perf_counter() - begun
                every += seconds
                print(
                    f"| {lung}, {group.name}, {course.size} patients, {call} call "
                    f"| {seconds:.1f} s | safe at the end {course.safe[-1] / course.size:.4f} "
                    f"| changes {course.changes.mean():.3f} | lost {course.lost.sum()} |",
                    flush=True,
                )
            print(f"| all, {call} call | {every:.1f} s |", flush=True)


if __name__ == "__main__":
    given = sys.argv[1:]
    main(int(given[0]) if given else None, given[1] if len(given) > 1 else "whole")
