// PRINTED ring, screwed to the base plate with three screws M3: keeps the cell under the quill's
// axis. It carries nothing.
include <dimensions.scad>

locator_h = 6;

module cell_locator() {
    difference() {
        cylinder(d = cell_d + 16, h = locator_h);
        clear_hole(cell_d + 0.6, locator_h);
        translate([0, -cell_cable_d / 2 - 1, -0.5]) cube([cell_d, cell_cable_d + 2, locator_h + 1]);
        for (a = [90, 180, 270]) rotate(a) translate([locator_r, 0, 0]) clear_hole(3.4, locator_h);
    }
}

cell_locator();
