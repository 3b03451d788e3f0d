// Lines that wait for the UART: a ring of bytes that takes a line whole or not at all.
#pragma once

#include <stdint.h>

namespace coilbench {

class LineQueue {
 public:
  // Bytes it can hold; one less than 256, so that full and empty differ.
  static const uint8_t kCapacity = 255;

  // Write one byte of a line that is being drafted; it is not sent before commit().
  void put(uint8_t byte) {
    if (static_cast<uint8_t>(draft_ + 1) == tail_) {
      overflowed_ = true;
      return;
    }
    bytes_[draft_] = byte;
    ++draft_;
  }

  // Close the drafted line. Returns false, and forgets the line, when it did not fit.
  bool commit() {
    const bool fits = !overflowed_;
    if (fits) {
      head_ = draft_;
    }
    draft_ = head_;
    overflowed_ = false;
    return fits;
  }

  bool empty() const { return head_ == tail_; }
  uint8_t room() const { return static_cast<uint8_t>(tail_ - head_ - 1); }

  // The oldest byte; call only when not empty.
  uint8_t take() {
    const uint8_t byte = bytes_[tail_];
    ++tail_;
    return byte;
  }

 private:
  uint8_t bytes_[256];  // 8-bit indices wrap by themselves
  uint8_t head_ = 0;
  uint8_t tail_ = 0;
  uint8_t draft_ = 0;
  bool overflowed_ = false;
};

}  // namespace coilbench
