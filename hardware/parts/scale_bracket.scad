// PRINTED split clamp for the quill's depth collar, with a slotted arm for the linear scale's
// reading head. It carries only the head: no part of the load goes through it.
include <dimensions.scad>

arm_h = 16;

module scale_bracket() {
    outer = quill_collar_d + 2 * bracket_grip;
    arm = bracket_arm;
    difference() {
        union() {
            cylinder(d = outer, h = arm_h);
            translate([0, -7, 0]) cube([outer / 2 + arm, 14, arm_h]);
            translate([outer / 2 + arm - bracket_plate, -22, 0]) cube([bracket_plate, 44, arm_h]);
            translate([-outer / 2 - 12, -9, 0]) cube([20, 18, arm_h]);
        }
        clear_hole(quill_collar_d, arm_h);
        translate([-outer, -1.5, -0.5]) cube([outer, 3, arm_h + 1]);
        // clamp screw M4, across the split
        translate([-outer / 2 - 5, -20, arm_h / 2]) rotate([-90, 0, 0]) cylinder(d = 4.4, h = 40, $fn = min(32, $fn));
        // two slots for the head's screws
        for (s = [-1, 1]) translate([outer / 2 + arm - bracket_plate - 1, s * 14, arm_h / 2]) rotate([0, 90, 0])
            hull() for (y = [-3, 3]) translate([0, y, 0]) cylinder(d = 4.4, h = 10, $fn = min(32, $fn));
    }
}

scale_bracket();
