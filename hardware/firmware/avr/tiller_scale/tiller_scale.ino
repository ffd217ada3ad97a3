// A scale for the tillering rack: HX711 converter on an ATmega328P board with a 16 MHz crystal, 115200 baud.
//
//   PD2 (digital 2)  converter's DOUT        PD3 (digital 3)  converter's clock (PD_SCK)
//   PD4 (digital 4)  converter's RATE pin, if it is wired: high = 80 readings a second, low = 10
//
// Registers only, no library: builds with avr-gcc and avr-libc (../Makefile) and opens as a sketch. Timer 1 gives the
// milliseconds; the sketch environment's own timer is left alone.
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>
#include <avr/wdt.h>
#include <stdint.h>
#include <string.h>
#include <util/atomic.h>
#include <util/delay.h>

#include "line.h"

#ifndef MS_AT_BOOT
#define MS_AT_BOOT 0UL  // tests begin just before the clock wraps
#endif

#ifndef WATCHDOG
#define WATCHDOG WDTO_2S
#endif

namespace {

const char kName[] = "rackcell";
const char kVersion[] = "1.1";
const uint16_t kSilentMs = 700;  // a converter at 10 readings a second needs 400 ms to settle after each start
const uint8_t kTimed = 8;         // readings after which the rate that comes is compared with the rate that was asked for
const uint16_t kTroubleEveryMs = 1000;
const int32_t kHighEnd = 0x7FFFFF, kLowEnd = -0x800000L;

volatile uint32_t clock_ms = MS_AT_BOOT;
uint8_t reset_cause __attribute__((section(".noinit")));

// -- serial line: both ways through rings, so that nothing waits ------------------------------------------------------

volatile uint8_t out[256], in[32];
volatile uint8_t out_head = 0, out_tail = 0, in_head = 0, in_tail = 0;

void send(const scale::Line& line) {
  uint8_t room;
  ATOMIC_BLOCK(ATOMIC_RESTORESTATE) { room = static_cast<uint8_t>(out_tail - out_head - 1); }
  if (room < line.size()) return;  // nobody listens fast enough: a line is sent whole or not at all
  uint8_t head = out_head;
  for (uint8_t k = 0; k < line.size(); ++k) out[head++] = static_cast<uint8_t>(line.data()[k]);
  ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
    out_head = head;
    UCSR0B |= _BV(UDRIE0);
  }
}

void send_trouble(const char* code) {
  scale::Line line;
  if (scale::trouble(line, code)) send(line);
}

// -- converter --------------------------------------------------------------------------------------------------------

uint8_t fast = 1;

bool data_ready() { return !(PIND & _BV(PD2)); }

// 24 bits and a 25th pulse (channel A, gain 128 next). The clock must never be high for 60 us, or the converter goes to
// sleep in the midst of it: no interrupt may come between, and the whole takes some 60 us.
int32_t shift_in(bool& whole) {
  uint32_t value = 0;
  ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
    for (uint8_t bit = 0; bit < 24; ++bit) {
      PORTD |= _BV(PD3);
      _delay_us(0.7);
      value <<= 1;
      if (PIND & _BV(PD2)) value |= 1;
      PORTD &= static_cast<uint8_t>(~_BV(PD3));
      _delay_us(0.5);
    }
    PORTD |= _BV(PD3);
    _delay_us(0.7);
    whole = PIND & _BV(PD2);  // with the 25th pulse DOUT goes up: a line that stays low is a short or a dead converter
    PORTD &= static_cast<uint8_t>(~_BV(PD3));
  }
  if (value & 0x800000UL) value |= 0xFF000000UL;
  return static_cast<int32_t>(value);
}

// Clock high for more than 60 us and low again: the converter starts anew.
void restart_converter() {
  PORTD |= _BV(PD3);
  _delay_us(90);
  PORTD &= static_cast<uint8_t>(~_BV(PD3));
}

uint32_t now() {
  uint32_t ms;
  ATOMIC_BLOCK(ATOMIC_RESTORESTATE) { ms = clock_ms; }
  return ms;
}

void say_hello() {
  scale::Line line;
  if (scale::hello(line, kName, kVersion, fast ? 80 : 10)) send(line);
}

extern uint8_t timed;

void set_rate(uint8_t to_fast) {
  fast = to_fast;
  timed = 0;
  if (fast) {
    PORTD |= _BV(PD4);
  } else {
    PORTD &= static_cast<uint8_t>(~_BV(PD4));
  }
  say_hello();
}

// -- commands ---------------------------------------------------------------------------------------------------------

#ifdef TILLER_TEST
// 'W <ms> <counts>' writes that line; 'hang' hangs, for the watchdog.
void test_command(const char* text) {
  if (!strcmp(text, "hang")) {
    for (;;) sleep_mode();
  }
  uint32_t numbers[2] = {0, 0};
  bool minus = false;
  uint8_t which = 0;
  for (const char* c = text + 2; *c; ++c) {
    if (*c == ' ') {
      ++which;
    } else if (*c == '-') {
      minus = true;
    } else {
      numbers[which] = 10 * numbers[which] + static_cast<uint32_t>(*c - '0');
    }
  }
  scale::Line line;
  int32_t counts = static_cast<int32_t>(numbers[1]);
  if (scale::reading(line, numbers[0], minus ? -counts : counts)) send(line);
}
#endif

void obey(const char* text) {
  if (!strcmp(text, "hello")) {
    say_hello();
  } else if (!strcmp(text, "rate 80")) {
    set_rate(1);
  } else if (!strcmp(text, "rate 10")) {
    set_rate(0);
#ifdef TILLER_TEST
  } else if (!strcmp(text, "hang") || (text[0] == 'W' && text[1] == ' ')) {
    test_command(text);
#endif
  } else if (*text) {
    send_trouble("COMMAND");
  }
}

void listen() {
  static char text[24];
  static uint8_t size = 0;
  static bool too_long = false;
  while (in_tail != in_head) {
    char c = static_cast<char>(in[in_tail]);
    in_tail = static_cast<uint8_t>((in_tail + 1) % sizeof in);
    if (c == '\n' || c == '\r') {
      text[size] = 0;
      if (too_long) {
        send_trouble("COMMAND");
      } else {
        obey(text);
      }
      size = 0;
      too_long = false;
    } else if (size + 1u < sizeof text) {
      text[size++] = c;
    } else {
      too_long = true;
    }
  }
}

// -- readings ---------------------------------------------------------------------------------------------------------

uint32_t heard_ms, told_ms, timed_from_ms;
uint8_t timed = 0;

// RATE is often tied low on the converter's board: then ten a second come whatever is asked for, and the greeting says so.
void time_rate(uint32_t ms) {
  if (timed == 0) timed_from_ms = ms;
  if (timed <= kTimed) ++timed;
  if (timed == kTimed + 1) {
    ++timed;
    uint8_t is_fast = ms - timed_from_ms < kTimed * 50u;
    if (is_fast != fast) {
      fast = is_fast;
      say_hello();
    }
  }
}

void tell_now_and_then(const char* code, uint32_t ms) {
  if (ms - told_ms < kTroubleEveryMs) return;
  told_ms = ms;
  send_trouble(code);
}

void weigh() {
  uint32_t ms = now();
  if (data_ready()) {
    bool whole;
    int32_t counts = shift_in(whole);
    if (!whole) {
      tell_now_and_then("SILENT", ms);
      restart_converter();
      return;
    }
    heard_ms = ms;
    time_rate(ms);
    if (counts == kHighEnd || counts == kLowEnd) {
      tell_now_and_then("SATURATED", ms);
      return;
    }
    scale::Line line;
    if (scale::reading(line, ms, counts)) send(line);
  } else if (ms - heard_ms > kSilentMs) {
    heard_ms = ms;
    timed = 0;
    tell_now_and_then("SILENT", ms);
    restart_converter();
  }
}

}  // namespace

// Boot loaders that clear MCUSR hide that a start was the watchdog's; E,WATCHDOG is then not sent.
// Before anything else: why it starts, and the watchdog off, which else would bite again at once.
void remember_reset(void) __attribute__((naked, used, section(".init3")));
void remember_reset(void) {
  reset_cause = MCUSR;
  MCUSR = 0;
  wdt_disable();
}

ISR(TIMER1_COMPA_vect) { ++clock_ms; }

ISR(USART_UDRE_vect) {
  if (out_tail == out_head) {
    UCSR0B &= static_cast<uint8_t>(~_BV(UDRIE0));
  } else {
    UDR0 = out[out_tail];
    out_tail = static_cast<uint8_t>(out_tail + 1);
  }
}

ISR(USART_RX_vect) {
  uint8_t byte = UDR0;
  uint8_t next = static_cast<uint8_t>((in_head + 1) % sizeof in);
  if (next != in_tail) {
    in[in_head] = byte;
    in_head = next;
  }
}

void setup() {
  cli();
  DDRD |= _BV(PD3) | _BV(PD4);
  PORTD |= _BV(PD2);  // pull-up: a converter that is not there reads as 'not ready'
  TCCR1A = 0;
  TCCR1B = _BV(WGM12) | _BV(CS11) | _BV(CS10);  // 16 MHz / 64 / 250 = 1 kHz
  OCR1A = 249;
  TCNT1 = 0;
  TIMSK1 = _BV(OCIE1A);
  UCSR0A = _BV(U2X0);
  UBRR0 = 16;  // 115200 + 2.1 %
  UCSR0C = _BV(UCSZ01) | _BV(UCSZ00);
  UCSR0B = _BV(RXEN0) | _BV(TXEN0) | _BV(RXCIE0);
  set_sleep_mode(SLEEP_MODE_IDLE);
  sei();
  wdt_enable(WATCHDOG);
  heard_ms = now();
  told_ms = heard_ms - kTroubleEveryMs;
  restart_converter();
  set_rate(1);
  if (reset_cause & _BV(WDRF)) send_trouble("WATCHDOG");
}

void loop() {
  wdt_reset();
  listen();
  weigh();
  sleep_mode();  // until the next millisecond, byte or edge
}
