/* A board in software: the real AVR binary in simavr, an HX711 modelled on its pins, the UART on a pseudo-terminal.
 *
 *   board FIRMWARE.elf SAMPLES [key=value ...]
 *
 * prints port=<its pseudo-terminal>, waits for a byte on stdin, runs until SAMPLES conversions were read out (or given up),
 * and prints what it saw as key=value lines. Keys: silent_from, silent_to (conversions that never come, ms of simulated time),
 * saturate_at (conversion number that reads the upper end), reset_at (ms), limit_ms, pattern (0: a sweep, 1: small), rate_wired (0: RATE
 * is tied low), stuck_low (1: DOUT never goes up), speed (times real time at most; 0: as fast as it goes).
 *
 * HX711 after its data sheet (from memory): DOUT low = a conversion is ready; 24 bits leave on rising edges, most significant
 * first; pulses 25 to 27 choose the next channel and gain and raise DOUT; clock high for more than 60 us powers it down, low
 * again starts it anew, with a first conversion after the settling time (4 conversions).
 */
#define _GNU_SOURCE
#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <pty.h>
#include <signal.h>
#include <simavr/avr_ioport.h>
#include <simavr/avr_uart.h>
#include <simavr/sim_avr.h>
#include <simavr/sim_elf.h>
#include <simavr/sim_time.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

enum { DOUT = 2, CLOCK = 3, RATE = 4 };

static avr_t *avr;
static avr_irq_t *dout;
static int master = -1;
static long samples, saturate_at = -1, silent_from = -1, silent_to = -1, reset_at = -1, limit_ms = 2000000000L;
static int rate_wired = 1, stuck_low;
static long short_pulses, many_pulses;
static avr_cycle_count_t fell_at;
static long converted, read_out, cut_short, powered_down, wrong_pulses, overwritten, bytes_out, resets;
static int clock_high, stray, fast, pulses, powered = 1, ready, pattern;
static avr_cycle_count_t rose_at;
static uint32_t value;
static long speed;
static double paced;
static struct timespec begun;
static int pending = -1; /* byte that waits for the UART */
static int may_send = 1;

/* what the cell reads at conversion k: the test knows the same rule */
static int32_t counts(long k) {
  if (k == saturate_at) return 0x7FFFFF;
  if (pattern == 1) return (int32_t)(k % 100);
  return (int32_t)((k * 7919L) % 16000001L - 8000000L);
}

static double ms_now(void) { return avr->cycle * 1000.0 / avr->frequency; }

static int was_reset;

static void out(int level) { avr_raise_irq(dout, stuck_low ? 0 : (uint32_t)level); }

/* the converter drives its line whatever the chip does: simavr forgets a pin's level in a reset, and behind a pull-up */
static void drive(void) {
  if (!stuck_low) avr_raise_irq(dout, (uint32_t)ready);
  out(!ready);
}

static avr_cycle_count_t convert(avr_t *a, avr_cycle_count_t when, void *param) {
  (void)param;
  double t = ms_now();
  int silent = silent_from >= 0 && t >= silent_from && t < silent_to;
  if (powered && !silent && converted < samples) {
    if (pulses > 0 && pulses < 25) cut_short++;
    if (ready) overwritten++;
    value = (uint32_t)counts(converted) & 0xFFFFFF;
    converted++;
    ready = 1;
    pulses = 0;
    out(0);
  }
  return when + avr_usec_to_cycles(a, fast ? 12500 : 100000);
}

static avr_cycle_count_t doze(avr_t *a, avr_cycle_count_t when, void *param) {
  (void)a, (void)when, (void)param;
  if (clock_high) { /* high for more than 60 us */
    powered = 0;
    ready = 0;
    powered_down++;
    if (pulses > 0 && pulses < 25) cut_short++;
    pulses = 0;
    out(1);
  }
  return 0;
}

static void on_clock(avr_irq_t *irq, uint32_t level, void *param) {
  (void)irq, (void)param;
  if ((int)level == clock_high) return;
  clock_high = (int)level;
  if (level) {
    if (pulses > 0 && pulses < 25 && avr->cycle - fell_at < 4) short_pulses++; /* low for 0.2 us at least: 3.2 cycles */
    rose_at = avr->cycle;
    avr_cycle_timer_register_usec(avr, 60, doze, NULL);
    stray = powered && !ready && pulses == 0;
    if (!powered || stray) return;
    pulses++;
    if (pulses <= 24) {
      out((int)((value >> (24 - pulses)) & 1));
    } else {
      if (pulses == 25) read_out++;
      ready = 0;
      out(1);
      if (pulses > 25) many_pulses++; /* 26 and 27 choose another channel or gain */
    }
  } else {
    if (pulses > 0 && avr->cycle - rose_at < 4) short_pulses++;
    fell_at = avr->cycle;
    avr_cycle_timer_cancel(avr, doze, NULL);
    if (stray && powered) wrong_pulses++; /* neither a reading nor a power-down */
    stray = 0;
    if (!powered) {
      powered = 1;
      pulses = 0;
      avr_cycle_timer_cancel(avr, convert, NULL);
      avr_cycle_timer_register_usec(avr, fast ? 50000 : 400000, convert, NULL);
    }
    if (pulses >= 25) pulses = 0;
  }
}

static void on_rate(avr_irq_t *irq, uint32_t level, void *param) {
  (void)irq, (void)param;
  if (rate_wired && fast != (int)level) {
    fast = (int)level;
    avr_cycle_timer_cancel(avr, convert, NULL);
    avr_cycle_timer_register_usec(avr, fast ? 50000 : 400000, convert, NULL);
  }
}

static void on_byte(avr_irq_t *irq, uint32_t byte, void *param) {
  (void)irq, (void)param;
  uint8_t c = (uint8_t)byte;
  bytes_out++;
  while (write(master, &c, 1) < 0 && (errno == EAGAIN || errno == EINTR)) usleep(200);
}

static void on_xon(avr_irq_t *irq, uint32_t level, void *param) {
  (void)irq, (void)level, (void)param;
  may_send = 1;
}

static void on_xoff(avr_irq_t *irq, uint32_t level, void *param) {
  (void)irq, (void)level, (void)param;
  may_send = 0;
}

static void no_sleep(avr_t *a, avr_cycle_count_t cycles) { (void)a, (void)cycles; }

static avr_cycle_count_t take(avr_t *a, avr_cycle_count_t when, void *param) {
  avr_irq_t *input = param;
  if (speed > 0) { /* no faster than so many times real time: what the host sends must come in time */
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    double real = (now.tv_sec - begun.tv_sec) * 1e3 + (now.tv_nsec - begun.tv_nsec) * 1e-6;
    paced += 0.5;
    if (paced > speed * real) usleep((useconds_t)(1000 * (paced / speed - real)));
  }
  if (pending < 0) {
    uint8_t c;
    struct pollfd p = {master, POLLIN, 0};
    if (poll(&p, 1, 0) > 0 && read(master, &c, 1) == 1) pending = c;
  }
  if (pending >= 0 && may_send) {
    avr_raise_irq(input, (uint32_t)pending);
    pending = -1;
  }
  return when + avr_usec_to_cycles(a, 500);
}

int main(int argc, char **argv) {
  if (argc < 3) return 2;
  elf_firmware_t firmware;
  memset(&firmware, 0, sizeof firmware);
  if (elf_read_firmware(argv[1], &firmware) != 0) return 3;
  samples = atol(argv[2]);
  for (int k = 3; k < argc; k++) {
    char *eq = strchr(argv[k], '=');
    if (!eq) return 2;
    *eq = 0;
    long v = atol(eq + 1);
    if (!strcmp(argv[k], "silent_from")) silent_from = v;
    else if (!strcmp(argv[k], "silent_to")) silent_to = v;
    else if (!strcmp(argv[k], "saturate_at")) saturate_at = v;
    else if (!strcmp(argv[k], "reset_at")) reset_at = v;
    else if (!strcmp(argv[k], "limit_ms")) limit_ms = v;
    else if (!strcmp(argv[k], "speed")) speed = v;
    else if (!strcmp(argv[k], "rate_wired")) rate_wired = (int)v;
    else if (!strcmp(argv[k], "stuck_low")) stuck_low = (int)v;
    else if (!strcmp(argv[k], "pattern")) pattern = (int)v;
    else return 2;
  }
  char name[100];
  int slave;
  if (openpty(&master, &slave, name, NULL, NULL) != 0) return 4;
  struct termios t;
  tcgetattr(slave, &t);
  cfmakeraw(&t);
  tcsetattr(slave, TCSANOW, &t);
  fcntl(master, F_SETFL, O_NONBLOCK);
  signal(SIGPIPE, SIG_IGN);
  printf("port=%s\n", name);
  fflush(stdout);

  avr = avr_make_mcu_by_name("atmega328p");
  if (!avr) return 5;
  avr_init(avr);
  avr->log = LOG_NONE;
  firmware.frequency = 16000000;
  avr_load_firmware(avr, &firmware);
  avr->frequency = 16000000;
  avr->sleep = no_sleep;
  uint32_t flags = 0;
  avr_ioctl(avr, AVR_IOCTL_UART_GET_FLAGS('0'), &flags);
  flags &= ~(uint32_t)(AVR_UART_FLAG_STDIO | AVR_UART_FLAG_POLL_SLEEP);
  avr_ioctl(avr, AVR_IOCTL_UART_SET_FLAGS('0'), &flags);
  dout = avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('D'), DOUT);
  avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('D'), CLOCK), on_clock, NULL);
  avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('D'), RATE), on_rate, NULL);
  avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUTPUT), on_byte, NULL);
  avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUT_XON), on_xon, NULL);
  avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUT_XOFF), on_xoff, NULL);
  out(1);
  avr_cycle_timer_register_usec(avr, 500, take, avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_INPUT));
  avr_cycle_timer_register_usec(avr, 400000, convert, NULL);

  if (stuck_low) {
    avr_ioport_external_t low = {.name = 'D', .mask = 1 << DOUT, .value = 0};
    avr_ioctl(avr, AVR_IOCTL_IOPORT_SET_EXTERNAL('D'), &low);
  }
  if (getchar() == EOF) return 6;
  clock_gettime(CLOCK_MONOTONIC, &begun);
  int state = cpu_Running;
  double end = -1;
  double last = 0, driven = 0;
  while (state != cpu_Done && state != cpu_Crashed) {
    state = avr_run(avr);
    double t_ms = ms_now();
    if (t_ms < last - 1) {
      resets++;
      was_reset = 1; /* simavr counts from 0 again */
      driven = 0;
    }
    last = t_ms;
    if (was_reset) { /* timers are gone with it */
      was_reset = 0;
      avr_cycle_timer_cancel(avr, take, NULL);
      avr_cycle_timer_register_usec(avr, 500, take, avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_INPUT));
      avr_cycle_timer_cancel(avr, convert, NULL);
      avr_cycle_timer_register_usec(avr, fast ? 50000 : 400000, convert, NULL);
      drive();
    }
    if (t_ms > driven + 5) { /* and behind the pull-up that the firmware switches on */
      driven = t_ms;
      if (pulses == 0 && !clock_high) drive();
    }
    if (reset_at >= 0 && t_ms >= reset_at) {
      reset_at = -1;
      resets++;
      avr_reset(avr);
    }
    if (end < 0 && converted >= samples && !ready) end = t_ms + 60; /* time for the last line */
    if ((end >= 0 && t_ms > end) || t_ms > limit_ms) break;
  }
  printf("converted=%ld\nread_out=%ld\ncut_short=%ld\npowered_down=%ld\nwrong_pulses=%ld\noverwritten=%ld\nbytes_out=%ld\nms=%.0f\nstate=%d\nshort_pulses=%ld\nmany_pulses=%ld\n",
         converted, read_out, cut_short, powered_down, wrong_pulses, overwritten, bytes_out, ms_now(), state, short_pulses, many_pulses);
  fflush(stdout);
  getchar(); /* keeps the terminal until the reader is done */
  return state == cpu_Crashed ? 7 : 0;
}
