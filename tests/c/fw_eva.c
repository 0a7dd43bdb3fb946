/* What Frama-C's Eva analysis runs on the motor core: the dispatcher with every kind and any bytes, ticks with any
 * readings, and power-up with any stored pages. Each starts from every state that `any_state` describes, and `check_state`
 * asserts that it ends in one of them; the first power-up begins from zeroed memory, a later one from any state. So what
 * holds for one step holds for any number of them in any order. The ramp stands in as functions that give any result in
 * its range (fw_eva_ramp.c); it is analysed apart (ramp_eva.c). One axis. Nothing here knows a message by name. */

#include "__fc_builtin.h"
#include "ringlet_node.h"

#ifndef FW_EVA_FIRST /* rows of the table of kinds to analyse, for a part of the work */
#define FW_EVA_FIRST 0u
#define FW_EVA_LAST 255u
#endif

static ringlet_node node;
static ringlet_card card;

static uint8_t any_byte(void)
{
    return (uint8_t)Frama_C_unsigned_char_interval(0, 255);
}

static uint32_t any_word(void)
{
    return Frama_C_unsigned_int_interval(0, 0xFFFFFFFFu);
}

static int32_t any_int(void)
{
    return Frama_C_interval(-2147483647 - 1, 2147483647);
}

static void board_send(void *user, const ringlet_frame *frame)
{
    uint8_t i;
    uint8_t sum = 0;
    (void)user;
    /*@ assert frame->size <= RINGLET_BODY_MAX; */
    /*@ loop unroll 8; */
    for (i = 0; i < frame->size && i < RINGLET_BODY_MAX; i++) {
        sum ^= frame->body[i]; /* every byte that is sent was set */
    }
    (void)sum;
}

static void board_drive(void *user, uint8_t axis, const ringlet_setpoint *setpoint)
{
    (void)user;
    /*@ assert axis < RINGLET_AXES; */
    /*@ assert 0 <= setpoint->torque; */
    (void)axis;
    (void)setpoint;
}

static void board_read(void *user, uint8_t axis, ringlet_reading *reading)
{
    (void)user;
    (void)axis;
    reading->position = any_int();
    reading->velocity = any_int();
    reading->current = any_int();
    reading->torque = any_int();
    reading->winding = any_int();
    reading->housing = any_int();
    reading->supply = any_int();
    reading->encoder_ok = any_byte();
    reading->torque_limited = any_byte();
}

static void board_configure(void *user, uint8_t axis, const ringlet_drive_settings *settings)
{
    (void)user;
    (void)axis;
    (void)settings;
}

static uint16_t board_page_read(void *user, uint8_t page, uint8_t *data, uint16_t most)
{
    (void)user;
    (void)page;
    Frama_C_make_unknown((char *)data, most);
    return (uint16_t)Frama_C_unsigned_int_interval(0, 0xFFFFu);
}

static uint8_t board_page_write(void *user, uint8_t page, const uint8_t *data, uint16_t count)
{
    (void)user;
    (void)page;
    (void)data;
    /*@ assert count <= RINGLET_PAGE_SIZE; */
    return (uint8_t)Frama_C_interval(0, 1);
}

static const ringlet_board board = {
    0, board_send, board_drive, board_read, board_configure, board_page_read, board_page_write,
};

/* Any frame of one kind, with as many bytes set as it says that it has. */
static void hear(uint32_t kind, uint32_t priority)
{
    ringlet_frame frame;
    uint8_t i;
    frame.ident = priority << RINGLET_SHIFT_PRIORITY | kind << RINGLET_SHIFT_KIND |
                  Frama_C_unsigned_int_interval(0, (1u << RINGLET_SHIFT_KIND) - 1u);
    frame.size = any_byte();
    /*@ loop unroll 8; */
    for (i = 0; i < RINGLET_BODY_MAX; i++) {
        frame.body[i] = any_byte();
    }
    ringlet_node_hear(&node, &frame);
}

static void ready_card(void)
{
    card.unique_id = (uint64_t)any_word() << 16;
    card.maker = "any maker";
    card.model = "any model";
    card.firmware = 1u;
    card.hardware = 1u;
    card.major = RINGLET_VERSION_MAJOR;
    card.axes = RINGLET_AXES;
}

/* Any memory whatever, but for what `check_state` asserts and for pointers. */
static void any_state(void)
{
    ringlet_axis *axis = &node.axes[0];
    unsigned i;
    ready_card();
    Frama_C_make_unknown((char *)&node, sizeof node);
    node.card = &card;
    node.board = &board;
    node.later_count = (uint8_t)Frama_C_unsigned_char_interval(0, RINGLET_LATER);
    /*@ loop unroll 8; */
    for (i = 0; i < RINGLET_ANSWERS; i++) {
        node.answers[i].answer.size = (uint8_t)Frama_C_unsigned_char_interval(0, RINGLET_BODY_MAX);
    }
    axis->board = &board;
    axis->factory = 0;
    axis->page = node.page;
    axis->index = 0u;
    axis->state = (uint8_t)Frama_C_unsigned_char_interval(0, RINGLET_STATE_ROWS - 1u);
    axis->owner_left = Frama_C_interval(-2147483647, 2147483647);
    axis->offset = Frama_C_long_long_interval(-((int64_t)1 << 33), (int64_t)1 << 33);
    axis->news_count = (uint8_t)Frama_C_unsigned_char_interval(0, RINGLET_NEWS_MAX);
    axis->finding.speed = Frama_C_interval(-2147483647, 2147483647);
    axis->finding.pushing = Frama_C_interval(0, RINGLET_B_CONTACT);
    axis->finding.start = Frama_C_long_long_interval(-((int64_t)1 << 32), (int64_t)1 << 32);
    axis->finding.low = Frama_C_long_long_interval(-((int64_t)1 << 33), (int64_t)1 << 33);
    axis->finding.high = Frama_C_long_long_interval(-((int64_t)1 << 33), (int64_t)1 << 33);
    /*@ loop unroll 64; */
    for (i = 0; i < RINGLET_A_COUNT; i++) {
        axis->values[i] = Frama_C_interval(-2147483647, 2147483647);
    }
}

static void check_state(void)
{
    const ringlet_axis *axis = &node.axes[0];
    /*@ assert node.later_count <= RINGLET_LATER; */
    /*@ assert axis->state < RINGLET_STATE_ROWS; */
    /*@ assert -0x200000000 <= axis->offset <= 0x200000000; */
    /*@ assert axis->news_count <= RINGLET_NEWS_MAX; */
    /*@ assert 0 <= axis->finding.pushing <= RINGLET_B_CONTACT; */
    /*@ assert -0x100000000 <= axis->finding.start <= 0x100000000; */
    /*@ assert -0x200000000 <= axis->finding.low <= 0x200000000; */
    /*@ assert -0x200000000 <= axis->finding.high <= 0x200000000; */
    /*@ assert axis->finding.speed >= -2147483647; */
    /*@ assert axis->owner_left >= -2147483647; */
    /*@ assert \forall integer i; 0 <= i < RINGLET_A_COUNT ==> axis->values[i] >= -2147483647; */
    (void)axis;
}

void known(void)
{
    unsigned row;
    /*@ loop unroll 256; */
    for (row = FW_EVA_FIRST; row < RINGLET_KIND_ROWS && row <= FW_EVA_LAST; row++) {
        any_state();
        hear(ringlet_kinds[row].code, ringlet_kinds[row].priority);
        check_state();
    }
}

void strange(void)
{
    ringlet_frame frame;
    any_state();
    Frama_C_make_unknown((char *)&frame, sizeof frame);
    frame.ident = any_word() | 0xE0000000u; /* no 29-bit header */
    ringlet_node_hear(&node, &frame);
    any_state();
    hear(0xFFu, 0u); /* no kind */
    check_state();
}

void power_up(void)
{
    ready_card();
    if (ringlet_node_init(&node, &card, &board)) {
        ringlet_node_start(&node, any_word());
        check_state();
    }
}

void power_back(void)
{
    any_state();
    ringlet_node_start(&node, any_word());
    check_state();
}

void tick(void)
{
    any_state();
    ringlet_node_tick(&node, (uint64_t)any_word() << 16);
    check_state();
}

int main(void)
{
    power_up();
    power_back();
    known();
    strange();
    tick();
    return 0;
}
