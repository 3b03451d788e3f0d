// Bar of the yoke that hangs masses on the cell: two alike, one over the platen, one below the
// plate. STEEL flat bar, sawn and drilled.
include <dimensions.scad>

module yoke_bar() {
    difference() {
        translate([-yoke_l / 2, -bar_w / 2, 0]) cube([yoke_l, bar_w, bar_h]);
        for (x = [-yoke_span / 2, 0, yoke_span / 2]) translate([x, 0, 0]) clear_hole(yoke_hole, bar_h);
    }
}

yoke_bar();
