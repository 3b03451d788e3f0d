// PRINTED guides for cups, platen and pusher that are squares of bar and a piece of pipe: they find
// and centre, the load goes through steel alone. make = "wall", "spigot": on a cup's floor;
// "pipe_ring": on the upper cup's back, takes the pusher's pipe; "frame": round the platen, finds the
// lower cup; "button_ring": under the platen, finds the cell's button; "flange": holds the pipe under
// its square by four screws M4; "all": everything for one rig, side by side.
include <dimensions.scad>
use <spring_cup.scad>

make = "all";

flange_h = 8;
gap = 60;

module frame() difference() {
    translate([-square_w / 2 - 3, -square_w / 2 - 3, 0]) cube([square_w + 6, square_w + 6, 4 + register_h]);
    translate([-square_w / 2 - 0.2, -square_w / 2 - 0.2, -0.5])
        cube([square_w + 0.4, square_w + 0.4, 5 + register_h]);
}

module flange() difference() {
    translate([-square_w / 2, -square_w / 2, 0]) cube([square_w, square_w, flange_h]);
    clear_hole(pipe_d + 0.4, flange_h);
    for (x = [-1, 1], y = [-1, 1]) translate([x * square_screw, y * square_screw, 0])
        clear_hole(4.5, flange_h);
}

module hand_spigot() difference() {
    spigot(spigot_height);
    clear_hole(rod_d + rod_play, spigot_height);
}

module part(make) {
    if (make == "wall") ring(cup_d, spring_od + 2 * clearance, wall_height);
    if (make == "spigot") hand_spigot();
    if (make == "pipe_ring") ring(46, pipe_d + 0.4, 4);
    if (make == "frame") frame();
    if (make == "button_ring") ring(30, cell_button_d + 0.6, 1);
    if (make == "flange") flange();
}

if (make == "all") {
    names = ["wall", "wall", "spigot", "spigot", "pipe_ring", "frame", "button_ring", "flange"];
    for (i = [0 : len(names) - 1]) translate([gap * (i % 4), -gap * floor(i / 4), 0]) part(names[i]);
} else
    part(make);
