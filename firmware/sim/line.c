// The other end of the UART: a file, a pty, or both.
#define _GNU_SOURCE
#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <simavr/avr_uart.h>
#include <stdlib.h>
#include <string.h>
#include <termios.h>
#include <unistd.h>

#include "rigsim.h"

#define BYTE_S (11 / 250000.0)  // the simulated UART takes 11 bits a byte; a real one 10

static void to_pty(rig_t *rig, uint8_t byte) {
  line_t *line = &rig->line;
  if (!line->attached) {
    ++line->unheard;
    return;
  }
  // A reader that is slower than the simulation holds it up, rather than lose bytes.
  while (write(line->pty, &byte, 1) != 1) {
    struct pollfd slot = {.fd = line->pty, .events = POLLOUT};
    if ((errno != EAGAIN && errno != EINTR) || poll(&slot, 1, 1000) < 0 ||
        (slot.revents & (POLLHUP | POLLERR))) {
      ++line->unheard;
      return;
    }
  }
}

static void on_sent(struct avr_irq_t *irq, uint32_t value, void *parameter) {
  (void)irq;
  rig_t *rig = parameter;
  ++rig->line.sent;
  if (rig->line.copy) fputc((int)(value & 0xFF), rig->line.copy);
  if (rig->line.pty >= 0) to_pty(rig, (uint8_t)value);
}

static avr_cycle_count_t feed_one(avr_t *avr, avr_cycle_count_t when, void *parameter) {
  rig_t *rig = parameter;
  line_t *line = &rig->line;
  if (line->wait_at == line->wait_end) {
    line->wait_at = line->wait_end = 0;
    return 0;
  }
  avr_irq_t *input = avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_INPUT);
  avr_raise_irq(input, line->waiting[line->wait_at++]);
  ++line->received;
  return when + cycles_of(BYTE_S);
}

void line_feed(rig_t *rig, const uint8_t *bytes, size_t count) {
  line_t *line = &rig->line;
  if (line->wait_end + count > line->wait_size) {
    line->wait_size = (line->wait_end + count) * 2;
    line->waiting = realloc(line->waiting, line->wait_size);
    if (!line->waiting) die("out of memory");
  }
  memcpy(line->waiting + line->wait_end, bytes, count);
  line->wait_end += count;
  if (!avr_cycle_timer_status(rig->chip.avr, feed_one, rig))
    avr_cycle_timer_register(rig->chip.avr, cycles_of(BYTE_S), feed_one, rig);
}

void line_begin(rig_t *rig) {
  avr_irq_t *output = avr_io_getirq(rig->chip.avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUTPUT);
  avr_irq_register_notify(output, on_sent, rig);
  if (rig->line.wait_at != rig->line.wait_end)
    avr_cycle_timer_register(rig->chip.avr, cycles_of(BYTE_S), feed_one, rig);
}

void line_open(rig_t *rig, bool pty, const char *copy) {
  line_t *line = &rig->line;
  line->pty = -1;
  if (copy && !(line->copy = fopen(copy, "wb"))) die("cannot write %s", copy);
  if (!pty) return;
  line->pty = posix_openpt(O_RDWR | O_NOCTTY | O_NONBLOCK);
  if (line->pty < 0 || grantpt(line->pty) || unlockpt(line->pty)) die("no pty");
  const char *name = ptsname(line->pty);
  // Raw from the start; and closing the other side once makes POLLHUP tell "nobody there".
  const int slave = open(name, O_RDWR | O_NOCTTY);
  struct termios raw;
  if (slave < 0 || tcgetattr(slave, &raw)) die("cannot open %s", name);
  cfmakeraw(&raw);
  tcsetattr(slave, TCSANOW, &raw);
  close(slave);
  printf("port %s\n", name);
  fflush(stdout);
}

void line_close(rig_t *rig) {
  if (rig->line.copy) fclose(rig->line.copy);
  if (rig->line.pty >= 0) close(rig->line.pty);
  free(rig->line.waiting);
}

void line_poll(rig_t *rig) {
  line_t *line = &rig->line;
  if (line->pty < 0) return;
  struct pollfd slot = {.fd = line->pty, .events = POLLIN};
  if (poll(&slot, 1, 0) < 0) return;
  const bool attached = (slot.revents & POLLHUP) == 0;
  if (attached && !line->attached && line->reset_on_open) chip_reset(rig);
  line->attached = attached;
  uint8_t bytes[256];
  const ssize_t count = attached ? read(line->pty, bytes, sizeof bytes) : 0;
  if (count > 0) line_feed(rig, bytes, (size_t)count);
}
