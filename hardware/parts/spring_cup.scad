// Cups that hold the spring at both ends. STEEL, turned: they carry the whole load.
// kind = "lower": the rod's head hides in the underside. kind = "upper": flat top for the pusher.
// make = "turned" (steel); "ring": a printed centring ring that only locates a smaller spring
// inside a steel cup. The spring always stands on steel. Without a lathe: by_hand.scad.
include <dimensions.scad>

kind = "lower";
make = "turned";

function cup_base(kind) = kind == "lower" ? lower_base : cup_floor;

module spigot(h) {
    cylinder(d = spring_id - 2 * clearance, h = h - 2);
    translate([0, 0, h - 2])
        cylinder(d1 = spring_id - 2 * clearance, d2 = spring_id - 2 * clearance - 3, h = 2);
}

module spring_cup(kind) {
    base = cup_base(kind);
    difference() {
        union() {
            difference() {
                cylinder(d = cup_d, h = base + wall_height);
                translate([0, 0, base]) cylinder(d = spring_od + 2 * clearance, h = wall_height + 1);
            }
            spigot(base + spigot_height);
        }
        clear_hole(rod_d + rod_play, base + spigot_height);
        if (kind == "lower")
            translate([0, 0, -1]) cylinder(d = head_bore, h = rod_head_h + head_space + 1);
        // dimples to count quarter turns by, for the squareness check
        for (a = [0, 90, 180, 270])
            rotate(a) translate([cup_d / 2, 0, base + wall_height / 2]) sphere(d = 2.4, $fn = min(24, $fn));
    }
}

// A ring without a floor.
module ring(outer, inner, h) {
    difference() {
        cylinder(d = outer, h = h);
        clear_hole(inner, h);
    }
}

if (make == "ring") // fills the gap between a smaller spring and the cup's wall
    ring(spring_od + 2 * clearance - 0.3, spring_od - 5, wall_height - 1);
else
    spring_cup(kind);
