// Faults: they stand while their cause does, and latch until the host acknowledges them.
#pragma once

#include <stdint.h>

namespace coilbench {

enum FaultCode : uint8_t {
  kAdcSilent = 1,
  kAdcStuck = 2,
  kTravelSilent = 3,
  kWatchdogRestart = 4,
};
static const uint8_t kFaultCodes = 4;

struct Fault {
  uint16_t count = 0;     // how often it was raised since the start
  bool standing = false;  // its cause is there
  bool latched = false;   // it was raised and nobody has acknowledged that
  bool due = false;       // a line about it waits to be sent
};

class Faults {
 public:
  // Raising what stands already changes nothing.
  void raise(FaultCode code) {
    Fault& fault = of(code);
    if (fault.standing) {
      return;
    }
    fault.standing = true;
    fault.latched = true;
    fault.due = true;
    if (fault.count != 0xFFFF) {
      ++fault.count;
    }
  }

  // The cause is gone; it stays latched.
  void clear(FaultCode code) {
    Fault& fault = of(code);
    fault.due = fault.due || fault.standing;
    fault.standing = false;
  }

  // Unlatch what has cleared. A restart is over when it has been seen.
  void acknowledge() {
    clear(kWatchdogRestart);
    for (uint8_t i = 0; i < kFaultCodes; ++i) {
      faults_[i].latched = faults_[i].standing;
    }
  }

  // Once a second: say again what stands.
  void remind() {
    for (uint8_t i = 0; i < kFaultCodes; ++i) {
      faults_[i].due = faults_[i].due || faults_[i].standing;
    }
  }

  bool any_latched() const {
    bool any = false;
    for (uint8_t i = 0; i < kFaultCodes; ++i) {
      any = any || faults_[i].latched;
    }
    return any;
  }

  bool any_due() const {
    bool any = false;
    for (uint8_t i = 0; i < kFaultCodes; ++i) {
      any = any || faults_[i].due;
    }
    return any;
  }

  Fault& of(uint8_t code) { return faults_[code - 1]; }

 private:
  Fault faults_[kFaultCodes];
};

}  // namespace coilbench
