#!/bin/sh
# Render every part and the assembly: needs openscad and xvfb-run (Debian: openscad, xvfb, xauth).
# usage: hardware/parts/render.sh [FOLDER]   pictures beside the sources unless a folder is named
set -eu
cd "$(dirname "$0")"
into=${1:-.}

render() { # SOURCE PICTURE SIZE TILT TURN [OPTION...]
    source=$1 picture=$2 size=$3 tilt=$4 turn=$5
    shift 5
    xvfb-run -a openscad -q --colorscheme=Tomorrow --imgsize="$size" --viewall --autocenter \
        --camera=0,0,0,$tilt,0,$turn,0 "$@" -o "$into/$picture" "$source"
}

for source in *.scad; do
    case $source in
        dimensions.scad) ;;
        assembly.scad) render "$source" assembly.png 600,600 68 24
            render "$source" section.png 900,700 90 0 --projection=ortho -D section=true ;;
        *) render "$source" "${source%.scad}.png" 400,300 68 24 ;;
    esac
done
