// coilbench: the rig's microcontroller. Reads the load cell's HX711 and the travel, and says both
// in lines of text (../PROTOCOL.md). Board: Uno R3, classic Nano or a clone
// (ATmega328P, 16 MHz).
//
// config.h holds every choice, board.h the pins and interrupts, coilbench_core.h what the rig
// does. README.md says how to build and flash.

// Pins, timers and interrupts are this chip's own. A Mega 2560 would compile, with A, B and DOUT on
// other pins; so nothing at all is compiled for another chip, and this is the only message.
#if !defined(__AVR_ATmega328P__) || F_CPU != 16000000L
#error "coilbench needs an ATmega328P at 16 MHz: Uno R3, classic Nano, or a clone of either. Not an Uno R4, Nano Every, Nano 33, Leonardo or Mega."
#else

#include "config.h"

#include "board.h"
#include "identity.h"

static coilbench::Rig<Board, Scale> rig(board, scale);

void setup() {
  const bool after_watchdog = board.begin_watchdog();
  const coilbench::Identity identity = load_identity();  // before the analogue pins are set up
  board.begin();
  const coilbench::Settings settings = {COILBENCH_SPS, COILBENCH_GAIN, COILBENCH_BAUD,
                                        Scale::name(), COILBENCH_UM_PER_COUNT};
  rig.begin(identity, settings, COILBENCH_TRAVEL_REVERSED != 0, after_watchdog);
}

void loop() {
  board.alive();
  rig.step();
  board.sleep_until_work(rig.sending());
}

#endif
