// Lines of the scale's protocol (hardware/firmware/PROTOCOL.md), written into a buffer without any library.
#pragma once
#include <stdint.h>

namespace scale {

const uint8_t kLongest = 48;

// CRC-8, polynomial 0x07, initial value 0.
inline uint8_t crc8(uint8_t crc, uint8_t byte) {
  crc ^= byte;
  for (uint8_t bit = 0; bit < 8; ++bit) {
    crc = (crc & 0x80) ? static_cast<uint8_t>((crc << 1) ^ 0x07) : static_cast<uint8_t>(crc << 1);
  }
  return crc;
}

// One line; what does not fit is left out, and such a line is never sent.
class Line {
 public:
  void text(const char* what) {
    while (*what) put(*what++);
  }
  void number(uint32_t value) {
    char digits[10];
    uint8_t n = 0;
    do {
      digits[n++] = static_cast<char>('0' + value % 10);
      value /= 10;
    } while (value);
    while (n) put(digits[--n]);
  }
  void number(int32_t value) {
    if (value < 0) {
      put('-');
      number(static_cast<uint32_t>(-(value + 1)) + 1u);
    } else {
      number(static_cast<uint32_t>(value));
    }
  }
  // Ends the line with its checksum; whether it is whole.
  bool seal() {
    uint8_t crc = 0;
    for (uint8_t k = 0; k < size_; ++k) crc = crc8(crc, static_cast<uint8_t>(data_[k]));
    put(',');
    put(hex(crc >> 4));
    put(hex(crc & 15));
    put('\n');
    return whole_;
  }
  const char* data() const { return data_; }
  uint8_t size() const { return size_; }

 private:
  static char hex(uint8_t value) { return static_cast<char>(value < 10 ? '0' + value : 'A' + value - 10); }
  void put(char c) {
    if (size_ < kLongest) {
      data_[size_++] = c;
    } else {
      whole_ = false;
    }
  }
  char data_[kLongest];
  uint8_t size_ = 0;
  bool whole_ = true;
};

inline bool reading(Line& line, uint32_t ms, int32_t counts) {
  line.text("W,");
  line.number(ms);
  line.text(",");
  line.number(counts);
  return line.seal();
}

inline bool hello(Line& line, const char* name, const char* version, uint8_t rate_hz) {
  line.text("H,");
  line.text(name);
  line.text(",");
  line.text(version);
  line.text(",");
  line.number(static_cast<uint32_t>(rate_hz));
  return line.seal();
}

inline bool trouble(Line& line, const char* code) {
  line.text("E,");
  line.text(code);
  return line.seal();
}

}  // namespace scale
