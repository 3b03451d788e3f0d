// Bar on the pusher's shoulder that lands on the stop posts' nuts. STEEL flat bar.
// A stop here carries the press's force past the spring AND past the load cell.
include <dimensions.scad>

module crosshead() {
    difference() {
        translate([-crosshead_l / 2, -crosshead_w / 2, 0]) cube([crosshead_l, crosshead_w, bar_h]);
        clear_hole(shank_d + 0.3, bar_h);
        for (s = [-1, 1]) translate([s * post_span / 2, 0, 0]) clear_hole(post_hole, bar_h);
    }
}

crosshead();
