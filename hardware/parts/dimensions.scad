// All measures of the rig, mm. Change them here (or with openscad -D name=value): every part follows.

// The springs to be tested: largest outside and smallest inside diameter of the set in hand,
// free length of the longest, and the shortest height a spring may be pressed to.
spring_od = 33.0;
spring_id = 24.5;
free_length = 52;
least_height = 26; // solid height plus coil bind margin, never less

clearance = 0.4;   // all round a spring: it must drop in and turn freely
wall = 4;          // of the cup round the spring
wall_height = 9;   // about two wires: the first coil must not climb out
spigot_height = 9;

// Guide rod: a cap screw, head down in the lower cup, self-locking nut above the upper cup.
rod_d = 8;
rod_play = 0.6;
rod_head_d = 13;
rod_head_h = 8;
nut_space_d = 19;  // a washer and a socket must pass

cup_floor = 8;     // steel under the spring
cup_d = spring_od + 2 * clearance + 2 * wall;

platen_d = cup_d;
platen_h = 12;
register_h = 2;    // rim that keeps the lower cup central

cell_d = 40;       // button cell, with its raised load button
cell_h = 20;
cell_button_d = 10;
cell_button_h = 2;
cell_cable_d = 6;

pusher_d = cup_d - 2;
pusher_roof = 15;
pusher_depth = free_length - least_height + 22; // travel, nut, washer and spare thread
shank_d = 12;
shank_h = 35;

post_d = 12;       // stop posts, threaded rod
post_span = 140;   // between their centres
bar_w = 40;
bar_h = 12;

plate_x = 220;
plate_y = 130;
plate_h = 15;

sheet_t = 4;       // polycarbonate sheet of the shield

assert(least_height > 2 * max(wall_height, spigot_height) + 2, "the cups would meet before the stop");
assert(spring_id - 2 * clearance > rod_head_d, "the spring is too narrow for this guide rod");

module clear_hole(d, h) translate([0, 0, -0.5]) cylinder(d = d, h = h + 1, $fn = 64);
$fn = 96;
