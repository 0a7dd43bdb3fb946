/* board_pc.c: the same functions on a PC, to try motor.c without a board: a pseudo-terminal for the UART, the system's
 * clock for the timer, and a coarse, invented motor on a ring with two end stops. Its physics are only good enough to see
 * the example work; `ringlet sim` has the real ones. POSIX. Written for the Ringlet project; 0BSD: use it as if it were
 * yours. */
#define _XOPEN_SOURCE 700
#include "board.h"

#include <fcntl.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

#define UART_BYTES 12 /* in a millisecond, as at 115200 baud */
#define PAGES 8u
#define PAGE_BYTES 4096u
#define SUPPLY_V 12.0
#define RESISTANCE 3.0 /* ohm */
#define TORQUE_CONSTANT 0.012 /* N.m/A, V.s/rad, at the rotor */
#define RATIO (14.0 * 120.0 / 35.0) /* rotor turns per ring turn */
#define INERTIA 1.2e-6 /* kg.m2, all of it at the rotor */
#define FRICTION 0.0011 /* N.m, all of it at the rotor */
#define TRAVEL_TURNS 0.75 /* of the ring, between its stops */
#define STOP_STIFFNESS 0.02 /* N.m per rotor radian past a stop */
#define STEPS 20 /* of the physics in a millisecond */

static const double TWO_PI = 6.283185307179586;
static double angle = 30.0; /* of the rotor, from the lower stop, rad */
static double speed; /* rad/s */
static double current; /* A */
static double share; /* of the supply */
static int bridge_open = 1;
static int line = -1;
static struct timespec due;
static uint8_t pages[PAGES][PAGE_BYTES];
static uint16_t page_bytes[PAGES];

/* One millisecond of the motor. */
static void turn(void)
{
    const double h = 0.001 / STEPS;
    const double far = TRAVEL_TURNS * RATIO * TWO_PI;
    int i;
    for (i = 0; i < STEPS; i++) {
        double torque;
        double slowing = FRICTION * h / INERTIA;
        current = bridge_open ? 0.0 : (share * SUPPLY_V - TORQUE_CONSTANT * speed) / RESISTANCE;
        torque = TORQUE_CONSTANT * current;
        if (angle < 0.0) {
            torque -= STOP_STIFFNESS * angle + 2e-5 * speed;
        } else if (angle > far) {
            torque -= STOP_STIFFNESS * (angle - far) + 2e-5 * speed;
        }
        speed += torque / INERTIA * h;
        if (speed > slowing) { /* friction never turns the motor round */
            speed -= slowing;
        } else if (speed < -slowing) {
            speed += slowing;
        } else {
            speed = 0.0;
        }
        angle += speed * h;
    }
}

void board_start(void)
{
    struct termios raw;
    const char *name;
    int other;
    line = posix_openpt(O_RDWR | O_NOCTTY);
    if (line < 0 || grantpt(line) != 0 || unlockpt(line) != 0 || (name = ptsname(line)) == NULL) {
        perror("no pseudo-terminal");
        exit(1);
    }
    other = open(name, O_RDWR | O_NOCTTY); /* stays open, so that the line outlives the programs that come and go */
    if (other < 0 || tcgetattr(other, &raw) != 0) {
        perror(name);
        exit(1);
    }
    raw.c_iflag = 0;
    raw.c_oflag = 0;
    raw.c_lflag = 0;
    raw.c_cflag = (raw.c_cflag & ~(tcflag_t)(CSIZE | PARENB)) | CS8;
    (void)tcsetattr(other, TCSANOW, &raw);
    (void)fcntl(line, F_SETFL, O_NONBLOCK);
    printf("serial:%s\n", name);
    fflush(stdout);
}

void board_interrupts_on(void)
{
    (void)clock_gettime(CLOCK_MONOTONIC, &due);
}

void board_watchdog(void) {}

/* Waits for the next millisecond, then does what the interrupts would do. */
void board_sleep(void)
{
    struct timespec at;
    uint8_t bytes[UART_BYTES];
    ssize_t got;
    ssize_t i;
    long late;
    (void)poll(NULL, 0, 1);
    (void)clock_gettime(CLOCK_MONOTONIC, &at);
    late = (long)(at.tv_sec - due.tv_sec) * 1000 + (at.tv_nsec - due.tv_nsec) / 1000000;
    for (; late > 0; late--) { /* a busy PC catches up */
        turn();
        got = read(line, bytes, sizeof bytes);
        for (i = 0; i < got; i++) {
            motor_uart_received(bytes[i]);
        }
        motor_tick();
        due.tv_nsec += 1000000;
        if (due.tv_nsec >= 1000000000) {
            due.tv_nsec -= 1000000000;
            due.tv_sec++;
        }
    }
}

void board_uart_wake(void)
{
    uint8_t byte;
    while (motor_uart_next(&byte)) {
        if (write(line, &byte, 1) != 1) {
            return; /* nobody reads, and the line is full */
        }
    }
}

uint64_t board_unique_id(void)
{
    return 0x02524E470001u;
}

uint16_t board_encoder(void) /* 4096 counts a turn of the gearhead's output shaft */
{
    const double turns = angle / TWO_PI / 14.0;
    return (uint16_t)(uint32_t)(turns * 4096.0 + 1048576.0);
}

uint8_t board_encoder_ok(void)
{
    return 1u;
}

int32_t board_current_ma(void)
{
    return (int32_t)(current * 1000.0);
}

int32_t board_housing(void)
{
    return 300;
}

int32_t board_supply_mv(void)
{
    return (int32_t)(SUPPLY_V * 1000.0);
}

void board_bridge_open(void)
{
    bridge_open = 1;
}

void board_bridge_drive(int32_t asked)
{
    bridge_open = 0;
    share = asked / 32768.0;
}

uint16_t board_page_read(uint8_t page, uint8_t *data, uint16_t most)
{
    const uint16_t count = page < PAGES ? (page_bytes[page] < most ? page_bytes[page] : most) : 0u;
    if (count > 0u) {
        memcpy(data, pages[page], count);
    }
    return count;
}

uint8_t board_page_write(uint8_t page, const uint8_t *data, uint16_t count)
{
    if (page >= PAGES || count > PAGE_BYTES) {
        return 0u;
    }
    memcpy(pages[page], data, count);
    page_bytes[page] = count;
    return 1u;
}
