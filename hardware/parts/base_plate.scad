// STEEL plate under everything: cell in the middle, tapped holes for the stop posts,
// holes for the clamps to the press's table, small tapped holes for the shield's feet.
include <dimensions.scad>

module base_plate() {
    difference() {
        translate([-plate_x / 2, -plate_y / 2, 0]) cube([plate_x, plate_y, plate_h]);
        for (s = [-1, 1]) translate([s * post_span / 2, 0, 0]) clear_hole(post_d - 1.8, plate_h);
        for (x = [-1, 1], y = [-1, 1]) {
            translate([x * (plate_x / 2 - 14), y * (plate_y / 2 - 14), 0]) clear_hole(8.5, plate_h);
            translate([x * 60, y * (plate_y / 2 - 8), 0]) clear_hole(4.2, plate_h);
        }
    }
}

base_plate();
