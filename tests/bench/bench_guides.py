"""What goes wrong at a guided calibration, and how soon and in what words it is said.

    PYTHONPATH=tests python tests/bench/bench_guides.py     the table, some seconds

Each case of wrong_guides.py on a simulated rig, with the rig's own clock: "after" counts from the
start of the step in which it goes wrong. "taken" is how many points were read, and how many may be.
"""

from __future__ import annotations

from wrong_guides import GUIDE_CASES, run


def main() -> None:
    """Print the table, then what is not as it must be."""
    print("| case | words | after | taken |")
    print("|---|---|---|---|")
    amiss = []
    for case in GUIDE_CASES:
        came = run(case)
        after = "never" if came.after_s is None else f"{came.after_s:.2f} s"
        print(f"| {case.name} | {came.words} | {after} | {came.taken} of {case.taken} |")
        if came.after_s is None or came.after_s > case.within_s or came.taken != case.taken:
            amiss.append(case.name)
    print(f"\nNot as it must be: {', '.join(amiss) or 'none'}")


if __name__ == "__main__":
    main()
