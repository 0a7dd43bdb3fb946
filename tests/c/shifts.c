/* The yardstick of the benchmark: `status`, `move` and `stop` packed and unpacked by hand, as one would write them in a
 * hurry, without any check of size or range; beside them the emitted functions. Each is one call from the loop, and
 * callgrind counts the instructions inside it. */

#include <stdint.h>

#include "ringlet.h"

#define CALLS 1000

#define NOT_INLINE __attribute__((noinline, noipa)) /* so that both are called like functions of another file */

NOT_INLINE static void hand_pack_move(const ringlet_msg_move *m, uint8_t *b)
{
    const uint32_t position = (uint32_t)m->position;
    b[0] = m->tag;
    b[1] = (uint8_t)position;
    b[2] = (uint8_t)(position >> 8);
    b[3] = (uint8_t)(position >> 16);
    b[4] = (uint8_t)(position >> 24);
    b[5] = (uint8_t)m->speed;
    b[6] = (uint8_t)(m->speed >> 8);
    b[7] = (uint8_t)(m->speed >> 16);
}

NOT_INLINE static void hand_unpack_move(const uint8_t *b, ringlet_msg_move *m)
{
    m->tag = b[0];
    m->position = (int32_t)((uint32_t)b[1] | (uint32_t)b[2] << 8 | (uint32_t)b[3] << 16 | (uint32_t)b[4] << 24);
    m->speed = (uint32_t)b[5] | (uint32_t)b[6] << 8 | (uint32_t)b[7] << 16;
}

NOT_INLINE static void hand_pack_status(const ringlet_msg_status *m, uint8_t *b)
{
    b[0] = m->tag;
    b[1] = m->state;
    b[2] = (uint8_t)m->flags;
    b[3] = (uint8_t)(m->flags >> 8);
    b[4] = m->fault;
    b[5] = m->owner;
    b[6] = (uint8_t)m->travel;
    b[7] = (uint8_t)(m->travel >> 8);
}

NOT_INLINE static void hand_unpack_status(const uint8_t *b, ringlet_msg_status *m)
{
    m->tag = b[0];
    m->state = b[1];
    m->flags = (uint16_t)(b[2] | b[3] << 8);
    m->fault = b[4];
    m->owner = b[5];
    m->travel = (uint16_t)(b[6] | b[7] << 8);
}

NOT_INLINE static void hand_pack_stop(const ringlet_msg_stop *m, uint8_t *b)
{
    b[0] = m->tag;
}

NOT_INLINE static void hand_unpack_stop(const uint8_t *b, ringlet_msg_stop *m)
{
    m->tag = b[0];
}

int main(void)
{
    uint8_t b[RINGLET_BODY_MAX];
    ringlet_msg_move move = {1, -123456, 45678};
    ringlet_msg_status status = {2, RINGLET_STATE_MOVING, 3, 0, 5, 40000};
    ringlet_msg_stop stop = {3};
    unsigned wrong = 0;
    int i;
    for (i = 0; i < CALLS; i++) {
        ringlet_msg_move other_move;
        ringlet_msg_status other_status;
        ringlet_msg_stop other_stop;
        hand_pack_move(&move, b);
        wrong += ringlet_unpack_move(b, sizeof b, &other_move) != RINGLET_OK || other_move.position != move.position ||
                 other_move.speed != move.speed;
        wrong += ringlet_pack_move(&other_move, b) != RINGLET_OK;
        hand_unpack_move(b, &move);
        hand_pack_status(&status, b);
        wrong += ringlet_unpack_status(b, sizeof b, &other_status) != RINGLET_OK ||
                 other_status.flags != status.flags || other_status.travel != status.travel;
        wrong += ringlet_pack_status(&other_status, b) != RINGLET_OK;
        hand_unpack_status(b, &status);
        hand_pack_stop(&stop, b);
        wrong += ringlet_unpack_stop(b, sizeof b, &other_stop) != RINGLET_OK || other_stop.tag != stop.tag;
        wrong += ringlet_pack_stop(&other_stop, b) != RINGLET_OK;
        hand_unpack_stop(b, &stop);
        move.position += 7;
        stop.tag++;
    }
    return wrong != 0u;
}
