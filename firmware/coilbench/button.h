// A push-button that bounces.
#pragma once

#include <stdint.h>

namespace coilbench {

class Button {
 public:
  static const uint8_t kSteady = 5;  // equal looks in a row that count as settled

  // Look at the contact at an even pace. Returns true once for each press.
  bool look(bool closed) {
    if (closed == closed_) {
      differing_ = 0;
      return false;
    }
    ++differing_;
    if (differing_ < kSteady) {
      return false;
    }
    differing_ = 0;
    closed_ = closed;
    return closed;
  }

 private:
  uint8_t differing_ = 0;
  bool closed_ = false;
};

}  // namespace coilbench
