/* libFuzzer target: a program of frames and time through the emitted motor core. Sanitizers watch the memory; what the
 * node says must be frames, and what it asks of the drive must follow from tick to tick by the largest limits.
 * Input: groups of head (0x80: to this node's address; low bits: size of the body), milliseconds, header, body. */
#include <stdlib.h>
#include <string.h>

#include "fuzz_count.h"
#include "ringlet_node.h"

#define AXES 2u
#define PAGES ((AXES + 1u) * RINGLET_PAGES_OF_STORE)

static ringlet_node node;
static uint8_t pages[PAGES][RINGLET_PAGE_SIZE];
static uint16_t page_count[PAGES];
static ringlet_setpoint setpoints[AXES];

static void board_send(void *user, const ringlet_frame *frame)
{
    ringlet_message message;
    (void)user;
    if (frame->size == 0u || frame->size > RINGLET_BODY_MAX || frame->ident > 0x1FFFFFFFu ||
        ringlet_unpack(frame, &message) != RINGLET_OK) {
        abort(); /* the node says only what its own protocol knows */
    }
}

static void board_drive(void *user, uint8_t axis, const ringlet_setpoint *setpoint)
{
    (void)user;
    if (axis >= AXES || setpoint->on > 1u || setpoint->torque < 0) {
        abort();
    }
    setpoints[axis] = *setpoint;
}

static void board_read(void *user, uint8_t axis, ringlet_reading *reading)
{
    (void)user;
    memset(reading, 0, sizeof *reading);
    reading->position = (int32_t)(setpoints[axis].position / 268435456);
    reading->winding = 200;
    reading->housing = 200;
    reading->supply = 24000;
    reading->encoder_ok = 1u;
}

static void board_configure(void *user, uint8_t axis, const ringlet_drive_settings *settings)
{
    (void)user;
    if (axis >= AXES || settings->motor_teeth <= 0 || settings->ring_teeth <= 0) {
        abort();
    }
}

static uint16_t board_page_read(void *user, uint8_t page, uint8_t *data, uint16_t most)
{
    uint16_t count;
    (void)user;
    if (page >= PAGES) {
        abort();
    }
    count = page_count[page] < most ? page_count[page] : most;
    memcpy(data, pages[page], count);
    return count;
}

static uint8_t board_page_write(void *user, uint8_t page, const uint8_t *data, uint16_t count)
{
    (void)user;
    if (page >= PAGES || count > RINGLET_PAGE_SIZE) {
        abort();
    }
    memcpy(pages[page], data, count);
    page_count[page] = count;
    return 1u;
}

static const ringlet_board board = {
    NULL, board_send, board_drive, board_read, board_configure, board_page_read, board_page_write,
};

static const ringlet_card card = {
    .unique_id = 0x123456789ABCu, .maker = "Invented Works", .model = "Fuzzed node", .firmware = 1u, .hardware = 1u,
    .major = RINGLET_VERSION_MAJOR, .axes = AXES,
};

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    size_t at = 0;
    uint64_t now = 0;
    memset(page_count, 0, sizeof page_count);
    memset(setpoints, 0, sizeof setpoints);
    if (!ringlet_node_init(&node, &card, &board)) {
        abort();
    }
    ringlet_node_start(&node, now);
    node.address = 16u;
    while (at + 7u <= size) {
        ringlet_frame frame;
        const uint8_t head = data[at];
        uint8_t wait = data[at + 1u] % 16u;
        size_t left;
        memset(&frame, 0, sizeof frame);
        frame.ident = ((uint32_t)data[at + 2u] | (uint32_t)data[at + 3u] << 8 | (uint32_t)data[at + 4u] << 16 |
                       (uint32_t)data[at + 5u] << 24);
        if (head & 0x80u) {
            frame.ident = (frame.ident & 0x1FFC07FFu) | (uint32_t)node.address << 11;
        }
        frame.size = (uint8_t)((head & 0x7Fu) % 9u);
        at += 6u;
        left = size - at;
        if (frame.size > left) {
            frame.size = (uint8_t)left;
        }
        memcpy(frame.body, data + at, frame.size);
        at += frame.size;
        ringlet_node_hear(&node, &frame);
        do {
            now += 1000u;
            ringlet_node_tick(&node, now);
        } while (wait-- > 0u);
    }
    fuzz_count(size);
    return 0;
}
