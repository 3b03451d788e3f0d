// Gauge of known length: a STEEL tube that stands on the faces that hold the spring. Its length
// need not be round, only known; its ends must be flat and parallel.
include <dimensions.scad>

length = gauge_least;

module gauge_tube(length) {
    difference() {
        cylinder(d = gauge_od, h = length);
        clear_hole(gauge_id, length);
    }
}

gauge_tube(length);
