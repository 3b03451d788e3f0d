// Between the lower cup and the load cell. STEEL: it brings the load from a ring to a button.
// The recess below finds the cell's button, the rim above finds the cup.
include <dimensions.scad>

module platen() {
    difference() {
        union() {
            cylinder(d = platen_d + 6, h = platen_h);
            translate([0, 0, platen_h]) difference() {
                cylinder(d = platen_d + 6, h = register_h);
                translate([0, 0, -0.5]) cylinder(d = platen_d + 0.4, h = register_h + 1);
            }
        }
        translate([0, 0, -1]) cylinder(d = cell_button_d + 0.6, h = 1 + cell_button_h / 2);
    }
}

platen();
