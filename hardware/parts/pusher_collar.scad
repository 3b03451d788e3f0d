// PRINTED ring, glued round the pusher's lower end: it hangs over the upper cup, so that pusher
// and cup find each other. It carries nothing.
include <dimensions.scad>

module pusher_collar() {
    difference() {
        cylinder(d = pusher_d + 0.6 + 2 * collar_wall, h = collar_h);
        clear_hole(pusher_d + 0.6, collar_h);
        translate([0, 0, -0.01]) cylinder(d1 = pusher_d + 3, d2 = pusher_d + 0.6, h = 1.2); // lead-in
    }
}

pusher_collar();
