// coilbench: the rig's microcontroller. Reads the load cell's HX711 and the travel, and says both
// in lines of text (../PROTOCOL.md). Board: Uno or Nano (ATmega328P, 16 MHz).
//
// config.h holds every choice, board.h the pins and interrupts, coilbench_core.h what the rig
// does. README.md says how to build and flash.

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
