// Cups that hold the spring at both ends. STEEL, turned: they carry the whole load.
// kind = "lower": the rod's head hides in the underside. kind = "upper": flat top for the pusher.
// make = "turned" (steel), or "ring": a printed centring ring that only locates a smaller spring
// inside a steel cup; the spring still stands on steel.
include <dimensions.scad>

kind = "lower";
make = "turned";

function cup_base(kind) = kind == "lower" ? cup_floor + rod_head_h + 1.5 : cup_floor;

module spring_cup(kind) {
    base = cup_base(kind);
    difference() {
        union() {
            difference() {
                cylinder(d = cup_d, h = base + wall_height);
                translate([0, 0, base]) cylinder(d = spring_od + 2 * clearance, h = wall_height + 1);
            }
            cylinder(d = spring_id - 2 * clearance, h = base + spigot_height - 2);
            translate([0, 0, base + spigot_height - 2])
                cylinder(d1 = spring_id - 2 * clearance, d2 = spring_id - 2 * clearance - 3, h = 2);
        }
        clear_hole(rod_d + rod_play, base + spigot_height);
        if (kind == "lower")
            translate([0, 0, -1]) cylinder(d = rod_head_d + 2, h = rod_head_h + 1.5 + 1);
        // dimples to count quarter turns by, for the squareness check
        for (a = [0, 90, 180, 270])
            rotate(a) translate([cup_d / 2, 0, base + wall_height / 2]) sphere(d = 2.4, $fn = 24);
    }
}

// Centring ring for another spring of the set: fills the gap to the cup's wall. No floor.
module centring_ring(ring_od, ring_id, h) {
    difference() {
        cylinder(d = ring_od, h = h);
        clear_hole(ring_id, h);
    }
}

if (make == "ring")
    centring_ring(spring_od + 2 * clearance - 0.3, spring_od - 5, wall_height - 1);
else
    spring_cup(kind);
