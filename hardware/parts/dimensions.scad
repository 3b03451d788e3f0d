// All measures of the rig, mm. Change them here (or with openscad -D name=value): every part,
// drawing and reckoning follows. One measure a line: measures.py reads them too. Measures of bought
// parts (screws, nuts, pipe, cell) are the standards' or usual ones, recalled from memory.

// The springs to be tested: largest outside and smallest inside diameter of the set in hand,
// free length of the longest.
spring_od = 33.0;
spring_id = 24.5;
free_length = 52;

// How low they are read, from the engine: under the most shims at full lift, less what the press
// gives under the load. A stop set on a tube without load stands that much too high under it.
installed_height = 38.5; // of the outer, without shims
valve_lift = 10.9;
most_shims = 2.0; // that the build file allows under one valve
inner_offset = 3;  // the inner's height is the outer's less this; 0 for single springs
press_give = 0.6;  // 0.2 to 0.5 at 100 kg and a tenth over: measure yours, coilbench rig flex
least_height = installed_height - valve_lift - most_shims - press_give; // solid height + 1, never less
inner_least = least_height - inner_offset;

clearance = 0.4;   // all round a spring: it must drop in and turn freely
wall = 4;          // of the cup round the spring
wall_height = 9;   // about two wires: the first coil must not climb out
spigot_height = 9;
cup_floor = 8;     // steel under the spring
cup_d = spring_od + 2 * clearance + 2 * wall;

// Guide rod: a cap screw M8 (ISO 4762), head down in the lower cup, self-locking nut above the
// upper cup. Its length follows: cups, longest spring, half a millimetre to rattle, washer, nut
// and two threads, rounded up to a length that is sold.
rod_d = 8;
rod_play = 0.6;
rod_head_d = 13;
rod_head_h = 8;
rod_pitch = 1.25;
rod_thread = 28;   // threaded part of a cap screw M8 up to 120 long
rod_washer_h = 1.6;
rod_nut_h = 8;
rod_slack = 0.5;   // the closed cartridge just rattles
rod_need = 2 * cup_floor + free_length + rod_slack + rod_washer_h + rod_nut_h + 2 * rod_pitch;
rod_length = ceil(rod_need / 10) * 10;
rod_shortest_spring = rod_length - rod_thread - 2 * cup_floor - rod_slack - rod_washer_h;
head_space = 1.5;  // between the rod's head and the platen
head_bore = rod_head_d + 2;
lower_base = cup_floor + rod_head_h + head_space;

platen_d = cup_d;
platen_h = 12;
platen_rim = 3;    // round the lower cup, to keep it central
register_h = 2;    // how high that rim stands
button_recess = 1; // below, for the cell's button
pivot_d = 6;       // dimple above, for the yoke's cap nut
pivot_h = 1.8;     // what a drill of 118 degrees leaves at that width
pivot_sink = 0.6;  // how far the cap nut's dome, of radius 8, sinks into it

cell_d = 40;       // button cell, with its raised load button
cell_h = 20;
cell_button_d = 10;
cell_button_h = 2;
cell_cable_d = 6;
locator_r = cell_d / 2 + 4.2; // of the locator's three screws M3
locator_tap = 2.5;

// Hollow, so that the guide rod can rise inside: at the least height the rod's end must stay
// rod_room below the roof, even if its head has been lifted to the top of its bore.
rod_room = 3;
pusher_d = cup_d;
pipe_d = 33.7;     // outside of a pusher made of pipe
pusher_bore = 19;  // the nut and its washer pass
pusher_roof = 15;
pusher_depth = rod_length - 2 * cup_floor - inner_least + rod_room;
shank_d = 12;
shank_h = 40;

collar_h = 14;     // printed: glued round the pusher, hangs over the upper cup and finds it
collar_over = 5;
collar_wall = 3;

post_d = 12;       // stop posts, threaded rod M12
post_tap = 10.2;
post_span = 140;   // between their centres
post_hole = 13.5;  // in the crosshead
stop_nut_d = 21;   // M12, over its corners
bar_w = 40;        // flat bar of yoke and lever
crosshead_w = 60;  // so that it bears on one nut alone, too
bar_h = 15;
crosshead_l = post_span + 40;

plate_x = 220;
plate_y = 130;
plate_h = 15;
clamp_x = plate_x / 2 - 14;
clamp_y = plate_y / 2 - 14;
clamp_hole = 8.5;

// Shield: polycarbonate sheets screwed to the plate's edges with M5; the front one lifts off.
sheet_t = 4;
sheet_h = ceil((plate_h + cell_h + platen_h + lower_base + free_length + cup_floor + 30) / 10) * 10;
sheet_screw_d = 5;
sheet_tap = 4.2;
sheet_tap_h = 14;
sheet_hole = 5.5;
sheet_head_d = 10; // washer
sheet_side_y = 35; // the screws' places, from the plate's middle
sheet_front_x = 60;

// Linear scale, behind the quill: bracket, clamped to the quill's collar; reading head on its face;
// the scale's body; the upright that it is on, screwed to the plate's rear edge.
quill_collar_d = 50; // where the bracket grips: measure it
bracket_grip = 9;
bracket_arm = 10;    // from the clamp's outside to the face
bracket_plate = 8;
scale_arm = quill_collar_d / 2 + bracket_grip + bracket_arm; // from the quill's axis
upright_w = 30;
upright_t = 8;
upright_l = 400;     // up to the quill's collar: measure it
upright_x = 10;      // its two screws M5, from its middle
scale_room = plate_y / 2 - scale_arm; // for the scale with its head

// Yoke that hangs masses on the cell, past both sides of the plate.
yoke_span = plate_y + 50;
yoke_l = yoke_span + 40;
yoke_rod_d = 10;   // threaded rod M10, and the bolts in the middle
yoke_hole = 10.5;
yoke_drop = 330;   // length of its rods: long enough for hands under the timbers
yoke_bolt = 35;    // M10, thread to the head: bar, nut, and what the cap or eye nut takes
nut10_h = 8.4;     // M10 (ISO 4032), from memory
cap_nut_h = 18;    // M10, from memory
cap_nut_thread = 13; // how deep it is threaded, from memory
lever_short = post_span / 2;
lever_long = 6 * lever_short;

// Gauge tubes: they stand on the spring's own seats, round the spigots, inside the walls.
gauge_od = spring_od - 1;
gauge_id = spring_id + 1.5;
gauge_least = least_height; // the stop is set on it
gauge_step = floor((free_length - 1 - gauge_least) / 3);

// From the base plate's top up to each face, a spring of its free length in place.
z_platen = cell_h + cell_button_h - button_recess;
z_lower = z_platen + platen_h;
z_seat = z_lower + lower_base;
z_upper = z_seat + free_length;
z_pusher = z_upper + cup_floor;
z_crosshead = z_pusher + pusher_depth + pusher_roof;
z_stop = z_crosshead - (free_length - least_height); // tops of the stop nuts

// Raised, to put a cartridge in: the collar passes over the rod's end while the lower cup is
// lifted over the platen's rim. So far the quill must travel, so much room the press must have.
raise_room = register_h + 1;
lift = rod_length - free_length - 2 * cup_floor + collar_over + raise_room;
by_hand_more = 5.5; // without a lathe: platen, cup, pipe and square stand higher than the turned ones
no_tap_more = 15;   // without a tap M12: two bars under the plate
square_screw = 19;  // of the squares' screws M4, from their middles
square_w = 50;      // without a lathe: flat bar that cups, platen and pusher are sawn from
z_raised = z_crosshead + lift;
quill_travel = lift + free_length - inner_least;
table_to_jaws = plate_h + z_raised + bar_h; // by hand: by_hand_more
post_l = ceil((plate_h + z_raised + by_hand_more + bar_h + 5) / 10) * 10; // the crosshead never leaves them

// The yoke, from the base plate's top: its cap nut stands in the dimple, a nut above it.
z_yoke_point = z_platen + platen_h - pivot_sink;
z_yoke_bar = z_yoke_point + cap_nut_h + nut10_h;
z_yoke_low = z_yoke_bar + bar_h + nut10_h + 5 - yoke_drop + 5 + nut10_h; // lower bar's lower face

assert(inner_least > 2 * max(wall_height, spigot_height) + 2, "the cups would meet before the stop");
assert(spring_id - 2 * clearance > rod_head_d, "the spring is too narrow for this guide rod");
assert(cup_d >= spring_od + 2 * clearance + 4, "the cup is too narrow for this spring");
assert(gauge_od - gauge_id >= 3, "the gauge tubes' walls are too thin: choose their diameters");

module clear_hole(d, h) translate([0, 0, -0.5]) cylinder(d = d, h = h + 1, $fn = min(64, $fn));
$fn = 96;
