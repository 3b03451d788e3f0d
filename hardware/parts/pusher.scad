// From the quill to the upper cup, hollow so that the guide rod can rise inside. STEEL.
// The shank only centres it in the chuck; the shoulder takes the load.
include <dimensions.scad>

module pusher() {
    difference() {
        union() {
            cylinder(d = pusher_d, h = pusher_depth + pusher_roof);
            translate([0, 0, pusher_depth + pusher_roof]) cylinder(d = shank_d, h = shank_h);
        }
        translate([0, 0, -1]) cylinder(d = pusher_bore, h = pusher_depth + 1);
        // a window to see that the rod still has room above it
        translate([0, -3, pusher_depth - 22]) cube([pusher_d, 6, 18]);
    }
}

pusher();
