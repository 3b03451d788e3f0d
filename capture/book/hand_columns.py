"""What is entered by hand, and the columns where the last entry of each stands.

Light to import: nothing heavy is loaded here.
"""

from __future__ import annotations

LENGTHS = ("free_length_mm", "solid_height_mm", "wire_mm", "coil_diameter_mm")
_WORDS = ("role", "note", "mark")
OF_A_SET = (*LENGTHS, "active_coils", *_WORDS)

# where the last entry stands: the column of its value, and of its uncertainty
OF_SPRINGS: dict[str, tuple[str, ...]] = {
    "free_length_mm": ("own_free_length_mm", "own_free_length_u_mm"),
    "solid_height_mm": ("solid_by_hand_mm", "solid_by_hand_u_mm"),
    "mark": ("spring_mark",),
    "note": ("spring_note",),
}
U_OF = {"free_length_mm": "free_length_u_mm", "solid_height_mm": "solid_by_hand_u_mm"}
OF_SETS: dict[str, tuple[str, ...]] = {what: (what,) for what in OF_A_SET} | {
    "solid_height_mm": ("solid_height_mm", "solid_height_u_mm"),
    "note": ("set_note",),
    "mark": ("set_mark",),
}
SPRING_COLUMNS = tuple(name for names in OF_SPRINGS.values() for name in names)
SET_COLUMNS = {name: what for what, names in OF_SETS.items() for name in names}
