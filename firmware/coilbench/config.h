// Everything a builder may want to change, in one place. A value can also be given on the
// compiler's command line (-DCOILBENCH_SPS=10), which is how the tests build the variants.
#pragma once

// --- What is wired -----------------------------------------------------------------------

// How travel is read.
#define COILBENCH_TRAVEL_NONE 0
#define COILBENCH_TRAVEL_QUADRATURE 1     // linear scale with A and B outputs, x4
#define COILBENCH_TRAVEL_CALIPER 2        // digital caliper, the 24-bit kind, some 5 readings/s
#define COILBENCH_TRAVEL_POTENTIOMETER 3  // a slide potentiometer across the supply

#ifndef COILBENCH_TRAVEL
#define COILBENCH_TRAVEL COILBENCH_TRAVEL_QUADRATURE
#endif

// Micrometres of travel a count, as text. Only told to the host, which calibrates anyway.
#ifndef COILBENCH_UM_PER_COUNT
#if COILBENCH_TRAVEL == COILBENCH_TRAVEL_CALIPER
#define COILBENCH_UM_PER_COUNT "0.1"  // whole numbers for both 0.01 mm and 0.0005 in
#elif COILBENCH_TRAVEL == COILBENCH_TRAVEL_POTENTIOMETER
#define COILBENCH_UM_PER_COUNT "3.6657"  // 60 mm of stroke over 16368 counts
#else
#define COILBENCH_UM_PER_COUNT "5"
#endif
#endif

// 1 turns the direction of travel round, so that down is positive.
#ifndef COILBENCH_TRAVEL_REVERSED
#define COILBENCH_TRAVEL_REVERSED 0
#endif

// 1 when transistors that lift the caliper's 1.5 V to 5 V turn its signals upside down.
#ifndef COILBENCH_CALIPER_INVERTED
#define COILBENCH_CALIPER_INVERTED 1
#endif

// Samples a second, 10 or 80: how the HX711's RATE pin is strapped. Only told to the host.
#ifndef COILBENCH_SPS
#define COILBENCH_SPS 80
#endif

// HX711 gain: 128 (channel A), 64 (channel A) or 32 (channel B).
#ifndef COILBENCH_GAIN
#define COILBENCH_GAIN 128
#endif

// --- The line ----------------------------------------------------------------------------

// 250000 is exact at 16 MHz; 115200 would be 2.1 % off.
#ifndef COILBENCH_BAUD
#define COILBENCH_BAUD 250000
#endif

// --- Pins (Arduino numbers in the comments; see README.md) -------------------------------
//
// DOUT must stay on 8: it is the pin whose falling edge the chip's hardware time-stamps.
// A and B must stay on 2 and 3: the only pins with an interrupt of their own.
// The others are given as a bit of a port so that a change takes one instruction.

#define COILBENCH_SCK_PORT PORTB
#define COILBENCH_SCK_DDR DDRB
#define COILBENCH_SCK_BIT 1  // 9

#define COILBENCH_ACCEPT_BIT 4  // 4, port D, button to ground
#define COILBENCH_REDO_BIT 5    // 5, port D, button to ground

#define COILBENCH_LED_PORT PORTB
#define COILBENCH_LED_DDR DDRB
#define COILBENCH_LED_BIT 5  // 13, the board's own

#define COILBENCH_POTENTIOMETER_CHANNEL 0  // A0
