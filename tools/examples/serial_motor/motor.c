/* motor.c: a lens motor on a serial line, from the emitted core (`ringlet emit firmware`). Copy it, fill in board_yours.c
 * and the figures below.
 *
 * The timer's interrupt does everything: hear the line, close the loop, tick the core. The UART's interrupts only move
 * bytes. So no two calls into the core can interrupt each other.
 *
 * Caution: gears pinch fingers, and a motor can break a lens that is stuck or has no end stops. A stop in software is not
 * an emergency stop: cut the power in hardware. First try it with the motor off the lens and a current limit in the
 * bench supply. The makers' instructions, local codes and qualified people come before this file.
 *
 * Written for the Ringlet project; 0BSD: use it as if it were yours.
 */
#include "board.h"
#include "ringlet_loop.h"
#include "ringlet_node.h"
#include "ringlet_serial.h"

/* ---- your motor: these figures are invented; yours stand in its data sheet ---------------------------------------- */

static const ringlet_loop_figures FIGURES = {
    .torque_constant = 12000, /* 0.012 N.m/A */
    .gearhead_ratio = 14000, /* 14 : 1 */
    .gearhead_efficiency = 800,
    .motor_teeth = 35,
    .ring_teeth = 120,
    .rotor_inertia = 8000, /* 8 g.cm2 with its gearhead */
    .ring_inertia = 3000, /* g.cm2 */
    .rotor_friction = 500, /* 0.0005 N.m */
    .ring_friction = 30000, /* 0.03 N.m */
};

static const ringlet_loop_tuning LIMITS = {
    .peak_current = 1500, /* mA: what bridge and motor bear */
    .resistance = 3000, /* 3 ohm */
    .winding_heat = 4000, /* 4 J/K */
    .winding_to_case = 8000, /* 8 K/W */
    .derate_from = 1000, /* 100 degC */
    .winding_max = 1200,
};

/* ---- bytes between the UART's interrupts and the timer's ----------------------------------------------------------- */

#define RING 512u /* a power of two; a frame has at most RINGLET_FRAME_MAX bytes */

typedef struct { /* one side writes `in`, the other `out`; neither waits */
    volatile uint16_t in;
    volatile uint16_t out;
    volatile uint8_t bytes[RING]; /* so that a byte stands there before the index says so */
} ring_buffer;

static ring_buffer received;
static ring_buffer to_send;

static uint16_t waiting(const ring_buffer *ring)
{
    return (uint16_t)(ring->in - ring->out);
}

static void put(ring_buffer *ring, uint8_t byte)
{
    ring->bytes[ring->in % RING] = byte;
    ring->in = (uint16_t)(ring->in + 1u);
}

static uint8_t take(ring_buffer *ring)
{
    const uint8_t byte = ring->bytes[ring->out % RING];
    ring->out = (uint16_t)(ring->out + 1u);
    return byte;
}

void motor_uart_received(uint8_t byte)
{
    if (waiting(&received) < RING) { /* else the byte is lost, and the frame's check finds it */
        put(&received, byte);
    }
}

uint8_t motor_uart_next(uint8_t *byte)
{
    if (waiting(&to_send) == 0u) {
        return 0u;
    }
    *byte = take(&to_send);
    return 1u;
}

/* ---- the board as the core sees it --------------------------------------------------------------------------------- */

static ringlet_node node;
static ringlet_card card;
static ringlet_decoder decoder;
static ringlet_loop loop;
static int32_t counts;
static uint64_t now; /* us from power-up */
static volatile uint32_t ticks;
static uint8_t starting;

static void send(void *user, const ringlet_frame *frame)
{
    uint8_t bytes[RINGLET_FRAME_MAX];
    uint8_t count;
    uint8_t i;
    (void)user;
    if (ringlet_frame_encode(frame, bytes, &count) != RINGLET_OK || (uint16_t)(RING - waiting(&to_send)) < count + 1u) {
        return; /* a whole frame or none: a control asks again */
    }
    put(&to_send, 0u); /* ends what noise has made on a line that is our own */
    for (i = 0; i < count; i++) {
        put(&to_send, bytes[i]);
    }
    board_uart_wake();
}

static void measure(ringlet_loop_measured *measured)
{
    counts = ringlet_loop_counts(counts, board_encoder());
    measured->counts = counts;
    measured->current = board_current_ma();
    measured->housing = board_housing();
    measured->supply = board_supply_mv();
    measured->encoder_ok = board_encoder_ok();
}

static void drive(void *user, uint8_t axis, const ringlet_setpoint *setpoint)
{
    (void)user;
    (void)axis;
    (void)ringlet_loop_control(&loop, setpoint);
    if (setpoint->on) {
        board_bridge_drive(ringlet_loop_duty(&loop));
    } else {
        board_bridge_open();
    }
}

static void read_axis(void *user, uint8_t axis, ringlet_reading *reading)
{
    ringlet_loop_measured measured;
    (void)user;
    (void)axis;
    if (starting) {
        measure(&measured);
        ringlet_loop_start(&loop, &measured);
    }
    ringlet_loop_read(&loop, reading);
}

static void configure(void *user, uint8_t axis, const ringlet_drive_settings *settings)
{
    (void)user;
    (void)axis;
    ringlet_loop_configure(&loop, settings);
}

static uint16_t page_read(void *user, uint8_t page, uint8_t *data, uint16_t most)
{
    (void)user;
    return board_page_read(page, data, most);
}

static uint8_t page_write(void *user, uint8_t page, const uint8_t *data, uint16_t count)
{
    (void)user;
    return board_page_write(page, data, count);
}

static const ringlet_board BOARD = {
    .send = send, .drive = drive, .read = read_axis, .configure = configure, .page_read = page_read, .page_write = page_write,
};

/* ---- a thousand times a second ------------------------------------------------------------------------------------- */

void motor_tick(void)
{
    ringlet_loop_measured measured;
    ringlet_frame frame;
    now += 1000u;
    while (waiting(&received) > 0u) { /* before measuring: a change of gears or counts holds from the next measurement on */
        if (ringlet_decoder_feed(&decoder, take(&received), &frame) == RINGLET_OK) {
            ringlet_node_hear(&node, &frame);
        }
    }
    measure(&measured);
    ringlet_loop_sense(&loop, &measured);
    ringlet_node_tick(&node, now);
    ticks = ticks + 1u;
}

static uint8_t begin(void)
{
    ringlet_loop_tuning tuning = LIMITS;
    uint8_t good;
    card.unique_id = board_unique_id();
    card.maker = "own work";
    card.model = "serial motor";
    card.firmware = 1u;
    card.hardware = 1u;
    card.major = RINGLET_VERSION_MAJOR;
    card.axes = 1u;
    good = ringlet_loop_derive(&FIGURES, &tuning); /* no short cuts: each of them must run */
    good = (uint8_t)(good & ringlet_loop_init(&loop, &tuning));
    good = (uint8_t)(good & ringlet_node_init(&node, &card, &BOARD));
    ringlet_decoder_start(&decoder);
    if (good) {
        starting = 1u;
        ringlet_node_start(&node, now);
        starting = 0u;
    }
    return good;
}

int main(void)
{
    uint32_t seen = 0u;
    board_start();
    board_bridge_open();
    if (!begin()) {
        return 1; /* a figure above is out of its range: nothing runs, the bridge stays open */
    }
    board_interrupts_on();
    for (;;) {
        if (ticks != seen) {
            seen = ticks;
            board_watchdog();
        }
        board_sleep();
    }
}
