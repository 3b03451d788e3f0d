// Between the lower cup and the load cell. STEEL: it brings the load from a ring to a button.
// The recess below finds the cell's button, the rim above finds the cup, the dimple the yoke.
include <dimensions.scad>

module platen() {
    outer = platen_d + 2 * platen_rim;
    difference() {
        cylinder(d = outer, h = platen_h + register_h);
        translate([0, 0, platen_h]) cylinder(d = platen_d + 0.4, h = register_h + 1);
        translate([0, 0, platen_h - pivot_h]) cylinder(d1 = 0, d2 = pivot_d, h = pivot_h + 0.01);
        translate([0, 0, -1]) cylinder(d = cell_button_d + 0.6, h = 1 + button_recess);
    }
}

platen();
