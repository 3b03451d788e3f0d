// The whole stack as it stands in the press, to look at; the shield's near sheets are left out.
// section = true shows the cut through the middle, with the parts' names.
include <dimensions.scad>
use <spring_cup.scad>
use <platen.scad>
use <pusher.scad>
use <crosshead.scad>
use <base_plate.scad>
use <cell_locator.scad>
use <shield_foot.scad>

section = false;
height = free_length; // between the faces that hold the spring
coils = 6;
wire = (spring_od - spring_id) / 2;

lower_base = cup_floor + rod_head_h + 1.5;
z_platen = cell_h + cell_button_h / 2;
z_lower = z_platen + platen_h;
z_seat = z_lower + lower_base;      // lower end of the spring
z_upper = z_seat + height;          // upper end
z_pusher = z_upper + cup_floor;

// the stop nuts' tops: the crosshead lands on them when the spring stands at least_height
z_stop = z_pusher + pusher_depth + pusher_roof - (height - least_height);

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

module rig() {
    part("SlateGray") translate([0, 0, -plate_h]) base_plate();
    part("Orange") cell_locator();
    part("Silver") cylinder(d = cell_d, h = cell_h);
    part("Silver") cylinder(d = cell_button_d, h = cell_h + cell_button_h);
    part("DimGray") translate([0, 0, z_platen]) platen();
    part("LightSteelBlue") translate([0, 0, z_lower]) spring_cup("lower");
    part("Goldenrod") translate([0, 0, z_seat]) coil();
    part("LightSteelBlue") translate([0, 0, z_upper + cup_floor]) mirror([0, 0, 1]) spring_cup("upper");
    // guide rod: head down in the lower cup, nut just above the upper cup
    part("Tomato") translate([0, 0, z_lower + 1.5]) {
        cylinder(d = rod_d, h = z_pusher + 12 - z_lower);
        cylinder(d = rod_head_d, h = rod_head_h);
    }
    part("Tomato") translate([0, 0, z_pusher + 1]) cylinder(d = 15, h = 8, $fn = 6);
    part("SteelBlue") translate([0, 0, z_pusher]) pusher();
    part("SlateGray") translate([0, 0, z_pusher + pusher_depth + pusher_roof]) crosshead();
    for (s = [-1, 1]) part("Gray") translate([s * post_span / 2, 0, -plate_h])
        cylinder(d = post_d, h = plate_h + z_pusher + pusher_depth + pusher_roof + 35);
    for (s = [-1, 1]) part("DarkSlateGray") translate([s * post_span / 2, 0, z_stop - 20])
        cylinder(d = 21, h = 20, $fn = 6);
    for (s = [-1, 1]) part("Orange") translate([s * 47, plate_y / 2 - 18, 0]) shield_foot();
    if (!section) part([0.7, 0.9, 1, 0.25]) translate([-90, plate_y / 2 - 18 - sheet_t / 2, 6])
        cube([180, sheet_t, 150]);
}

rig();
if (section) {
    name(-plate_h / 2, 1, plate_x / 2 - 5, "base plate");
    name(cell_h / 2, 1, cell_d / 2 - 3, "load cell");
    name(z_platen + platen_h / 2, 1, platen_d / 2, "platen");
    name(z_lower + 8, -1, cup_d / 2 - 4, "lower cup");
    name(z_seat + height / 2, 1, spring_od / 2, "spring");
    name(z_seat + height / 2 - 8, -1, rod_d / 2 - 1, "guide rod");
    name(z_upper + 3, -1, cup_d / 2 - 3, "upper cup");
    name(z_pusher + 5, 1, 6, "nut of the guide rod");
    name(z_pusher + 30, -1, pusher_d / 2 - 3, "pusher");
    name(z_stop - 8, 1, post_span / 2 + 8, "stop nut on its post");
    name(z_pusher + pusher_depth + pusher_roof + 6, -1, post_span / 2 - 12, "crosshead");
    name(z_pusher + pusher_depth + pusher_roof + bar_h + 15, 1, shank_d / 2 - 1, "shank, in the chuck");
}
