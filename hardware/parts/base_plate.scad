// STEEL plate under everything: cell in the middle, tapped holes for the stop posts, holes for
// the clamps to the press's table, tapped holes for the cell's locator and, in the edges, for
// the shield and the scale's upright.
include <dimensions.scad>

module edge_hole(x, y, turn) translate([x, y, plate_h / 2]) rotate([0, 90, turn])
    translate([0, 0, -sheet_tap_h]) cylinder(d = sheet_tap, h = sheet_tap_h + 1, $fn = min(24, $fn));

module base_plate() {
    difference() {
        translate([-plate_x / 2, -plate_y / 2, 0]) cube([plate_x, plate_y, plate_h]);
        for (s = [-1, 1]) translate([s * post_span / 2, 0, 0]) clear_hole(post_tap, plate_h);
        for (x = [-1, 1], y = [-1, 1]) translate([x * clamp_x, y * clamp_y, 0])
            clear_hole(clamp_hole, plate_h);
        for (a = [90, 180, 270]) rotate(a) translate([locator_r, 0, 0])
            clear_hole(locator_tap, plate_h);
        for (s = [-1, 1]) {
            edge_hole(plate_x / 2, s * sheet_side_y, 0);
            edge_hole(-plate_x / 2, s * sheet_side_y, 180);
            edge_hole(s * sheet_front_x, -plate_y / 2, -90);
            edge_hole(s * upright_x, plate_y / 2, 90);
        }
    }
}

base_plate();
