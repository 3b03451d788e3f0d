"""What goes wrong at a press, and how soon and in what words the screen says so.

    PYTHONPATH=tests python tests/bench/bench_wrong.py     the table, about half a minute

Each case of wrong_presses.py on a simulated rig, with the rig's own clock: "after" counts from the
first sample in which the thing is wrong (for what only a whole stroke shows: from its end) to the
first look that shows it. "counted" is how many strokes count, and how many are right. "unknown" is
how many looks showed a number that nobody knew.
"""

from __future__ import annotations

from wrong_case import SHOWN_S, outcomes
from wrong_presses import CASES


def main() -> None:
    """Print the table, then what is not as it must be."""
    print("| case | in large type | words | after | refused | counted | unknown |")
    print("|---|---|---|---|---|---|---|")
    amiss = []
    for case, came in outcomes(CASES):
        after = "never" if came.after_s is None else f"{came.after_s:.2f} s"
        print(
            f"| {case.name} | {case.large or '-'} | {came.words} | {after} | {came.refused}"
            f" | {came.counted} of {case.counts} | {came.stale} |",
            flush=True,
        )
        late = came.after_s is None or came.after_s > SHOWN_S
        unnamed = case.kind not in ("", *came.kinds)
        if late or unnamed or came.stale or came.counted != case.counts:
            amiss.append(case.name)
    print(f"\nNot as it must be: {', '.join(amiss) or 'none'}")


if __name__ == "__main__":
    main()
