// The whole stack as it stands in the press, to look at; the front sheet of the shield is left
// out. section = true shows the cut through the middle, with the parts' names.
include <dimensions.scad>
use <spring_cup.scad>
use <platen.scad>
use <pusher.scad>
use <pusher_collar.scad>
use <crosshead.scad>
use <base_plate.scad>
use <cell_locator.scad>
use <shield_sheet.scad>

section = false;
height = free_length; // between the faces that hold the spring
coils = 6;
wire = (spring_od - spring_id) / 2;
drop = free_length - height; // of everything above the spring

// One part as it is, or the slice of it that lies in the plane y = 0.
module part(colour) color(colour)
    if (section) rotate([90, 0, 0]) linear_extrude(1) projection(cut = true) rotate([-90, 0, 0])
        children();
    else children();

module name(z, side, reach, words) color("Black") rotate([90, 0, 0]) linear_extrude(3) {
    translate([min(side * reach, side * 118), z]) square([abs(118 - reach), 0.8]);
    translate([side * 120, z]) text(words, size = 6, halign = side > 0 ? "left" : "right", valign = "center");
}

module coil() {
    steps = 24;
    r = (spring_od - wire) / 2;
    function at(i) = [r * cos(360 * i / steps), r * sin(360 * i / steps),
                      wire / 2 + (height - wire) * i / (steps * coils)];
    for (i = [0 : steps * coils - 1]) hull() {
        translate(at(i)) sphere(d = wire, $fn = 12);
        translate(at(i + 1)) sphere(d = wire, $fn = 12);
    }
}

module guide_rod() {
    translate([0, 0, z_seat - cup_floor - rod_head_h]) cylinder(d = rod_head_d, h = rod_head_h);
    translate([0, 0, z_seat - cup_floor]) cylinder(d = rod_d, h = rod_length);
    // the nut stays where it was closed: it stands up from the upper cup when the spring is pressed
    translate([0, 0, z_pusher + rod_slack]) cylinder(d = 16, h = rod_washer_h);
    translate([0, 0, z_pusher + rod_slack + rod_washer_h]) cylinder(d = 14.4, h = rod_nut_h, $fn = 6);
}

module side_sheet(s) translate([s * plate_x / 2, 0, -plate_h]) rotate([90, 0, s * 90]) shield_sheet("side");
module front_sheet() translate([0, -plate_y / 2, -plate_h]) rotate([90, 0, 0]) shield_sheet("front");

module moving() translate([0, 0, -drop]) {
    part("LightSteelBlue") translate([0, 0, z_pusher]) mirror([0, 0, 1]) spring_cup("upper");
    part("SteelBlue") translate([0, 0, z_pusher]) pusher();
    part("Orange") translate([0, 0, z_pusher - collar_over]) pusher_collar();
    part("SlateGray") translate([0, 0, z_crosshead]) crosshead();
}

module standing() {
    part("SlateGray") translate([0, 0, -plate_h]) base_plate();
    part("Orange") cell_locator();
    part("Silver") cylinder(d = cell_d, h = cell_h);
    part("Silver") cylinder(d = cell_button_d, h = cell_h + cell_button_h);
    part("DimGray") translate([0, 0, z_platen]) platen();
    part("LightSteelBlue") translate([0, 0, z_lower]) spring_cup("lower");
    part("Tomato") guide_rod();
    for (s = [-1, 1]) part("DarkSlateGray") translate([s * post_span / 2, 0, z_stop - 20])
        cylinder(d = stop_nut_d, h = 20, $fn = 6);
}

module posts() for (s = [-1, 1]) part("Gray") translate([s * post_span / 2, 0, -plate_h])
    cylinder(d = post_d, h = post_l);

module rig() {
    standing();
    posts();
    moving();
    part("Goldenrod") translate([0, 0, z_seat]) coil();
    for (s = [-1, 1]) part([0.7, 0.9, 1, 0.25]) side_sheet(s);
}

module names() {
    name(-plate_h / 2, 1, plate_x / 2 - 5, "base plate");
    name(cell_h / 2, 1, cell_d / 2 - 3, "load cell");
    name(z_platen + platen_h / 2, 1, platen_d / 2, "platen");
    name(z_lower + 8, -1, cup_d / 2 - 4, "lower cup");
    name(z_seat + height / 2, 1, spring_od / 2, "spring");
    name(z_seat + height / 2 - 8, -1, rod_d / 2 - 1, "guide rod");
    name(z_upper + 3, -1, cup_d / 2 - 3, "upper cup");
    name(z_pusher + 7, -1, cup_d / 2 + 2, "collar");
    name(z_pusher + 6, 1, 6, "nut of the guide rod");
    name(z_pusher + 30, -1, pusher_d / 2 - 3, "pusher");
    name(z_stop - 8, 1, post_span / 2 + 8, "stop nut on its post");
    name(z_crosshead + 6, -1, post_span / 2 - 12, "crosshead");
    name(z_crosshead + bar_h + 15, 1, shank_d / 2 - 1, "shank, in the chuck");
}

rig();
if (section) names();
