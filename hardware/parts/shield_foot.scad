// PRINTED foot that stands a polycarbonate sheet on the base plate. The SHEET stops a spring,
// not the print: two feet a sheet, the screw goes through foot and sheet.
include <dimensions.scad>

foot_x = 40;
foot_y = 30;
foot_h = 30;

module shield_foot() {
    difference() {
        union() {
            translate([-foot_x / 2, -foot_y / 2, 0]) cube([foot_x, foot_y, 6]);
            translate([-foot_x / 2, -sheet_t / 2 - 5.2, 0]) cube([foot_x, sheet_t + 10.4, foot_h]);
        }
        translate([-foot_x, -(sheet_t + 0.4) / 2, 6]) cube([2 * foot_x, sheet_t + 0.4, foot_h]);
        translate([0, -20, foot_h - 10]) rotate([-90, 0, 0]) cylinder(d = 5.4, h = 40, $fn = 32);
        for (s = [-1, 1]) translate([s * 13, foot_y / 2 - 4.5, 0]) clear_hole(5.4, 6);
    }
}

shield_foot();
