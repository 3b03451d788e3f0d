// POLYCARBONATE sheet of the shield, drawn lying: its lower edge, at the plate's underside, is
// y = 0. which = "side": two of them, screwed to the plate's ends. which = "front": slots open
// below, so that it lifts off when its screws are loosened; it overlaps the side sheets.
include <dimensions.scad>

which = "side";

function sheet_w(which) = which == "side" ? plate_y : plate_x + 2 * sheet_t;

module slot() {
    clear_hole(sheet_hole, sheet_t);
    translate([-sheet_hole / 2, -plate_h, -0.5]) cube([sheet_hole, plate_h, sheet_t + 1]);
}

module shield_sheet(which) {
    at = which == "side" ? sheet_side_y : sheet_front_x;
    difference() {
        translate([-sheet_w(which) / 2, 0, 0]) cube([sheet_w(which), sheet_h, sheet_t]);
        for (s = [-1, 1]) translate([s * at, plate_h / 2, 0])
            if (which == "side") clear_hole(sheet_hole, sheet_t); else slot();
    }
}

shield_sheet(which);
