// Faults that latch until the host acknowledges them.
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
  uint16_t count = 0;  // how often it was raised since the start
  bool standing = false;
  bool due = false;  // a line about it waits to be sent
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
    fault.due = true;
    if (fault.count != 0xFFFF) {
      ++fault.count;
    }
  }

  void acknowledge() {
    for (uint8_t i = 0; i < kFaultCodes; ++i) {
      if (faults_[i].standing) {
        faults_[i].standing = false;
        faults_[i].due = true;
      }
    }
  }

  // Once a second: say again what stands.
  void remind() {
    for (uint8_t i = 0; i < kFaultCodes; ++i) {
      faults_[i].due = faults_[i].due || faults_[i].standing;
    }
  }

  bool any_standing() const {
    bool any = false;
    for (uint8_t i = 0; i < kFaultCodes; ++i) {
      any = any || faults_[i].standing;
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
