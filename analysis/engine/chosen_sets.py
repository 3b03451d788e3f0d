"""The sets that a build file names: there, of the right role, and measured. Pure."""

from __future__ import annotations

from collections.abc import Mapping

from coilbench.analysis.engine.build_file import BuildFile
from coilbench.analysis.engine.placed_sets import SetCurves
from coilbench.capture.errors import CoilbenchError


def chosen_set(build: BuildFile, sets: Mapping[str, SetCurves], role: str, name: str) -> SetCurves:
    """Return a set that the build file names as outer or inner, or say what is wrong with it.

    Raises:
        CoilbenchError: it is unknown, has another role or no measured spring.
    """
    roles: tuple[str, ...] = (role,)
    if role == "outer" and not build.springs.inner:
        roles = ("outer", "single")
    where = f"{build.name}, springs.{role}"
    springs = sets.get(name)
    if springs is None:
        raise CoilbenchError(
            f"there is no set {name!r}", where=where, mend="See: coilbench set list"
        )
    if springs.role not in roles:
        raise CoilbenchError(
            f"the set {name!r} is registered as {springs.role}, not as {' or '.join(roles)}",
            where=where,
            mend="Name it under its own role, or name another set",
        )
    if not springs.curves:
        raise CoilbenchError(
            f"no spring of the set {name!r} has been measured",
            where=where,
            mend="Measure it first: coilbench live, coilbench note or coilbench import",
        )
    return springs
