/* Runs a script of commands on the emitted ramp and writes what came of it, for tests/c/ramp_lockstep.py.
 * In: rows of eight int64 (operation, six numbers, ticks to run afterwards). Out: nine int64 after each command
 * and each tick: answer of the command, position, velocity, acceleration (in units), the brake plan's end and reach,
 * flags, target in mdeg. A ramp at rest is not ticked any further. */

#include <stdio.h>

#include "ringlet_ramp.h"

enum { START, LIMITS, TRAVEL, CLEAR, MOVE, RUN, STOP, RESET };

static int put(const ringlet_ramp *ramp, int64_t answer)
{
    ringlet_ramp_limits force = ringlet_ramp_limits_in_force(ramp);
    ringlet_ramp_limits asked = ringlet_ramp_limits_asked(ramp);
    int64_t row[9];
    int64_t target, low, high;
    uint8_t targeted = ringlet_ramp_target(ramp, &target);
    row[0] = answer;
    row[1] = ringlet_ramp_position_units(ramp);
    row[2] = ringlet_ramp_velocity_units(ramp);
    row[3] = ringlet_ramp_acceleration_units(ramp);
    row[4] = ringlet_ramp_stopping_point_units(ramp);
    row[5] = ramp->brake.low;
    row[6] = ramp->brake.high;
    row[7] = ringlet_ramp_at_rest(ramp) | targeted << 1 | ringlet_ramp_travel(ramp, &low, &high) << 2 |
             (force.velocity != asked.velocity || force.acceleration != asked.acceleration ||
              force.deceleration != asked.deceleration || force.jerk != asked.jerk)
                 << 3;
    row[8] = targeted ? target : 0;
    return fwrite(row, sizeof row, 1, stdout) == 1;
}

int main(void)
{
    static ringlet_ramp ramp;
    int64_t in[8];
    while (fread(in, sizeof in, 1, stdin) == 1) {
        ringlet_ramp_limits limits;
        int64_t answer = 1;
        int64_t i;
        limits.velocity = in[1];
        limits.acceleration = in[2];
        limits.deceleration = in[3];
        limits.jerk = in[4];
        switch (in[0]) {
        case START:
            answer = ringlet_ramp_can_hold(&limits, (int32_t)in[6]) +
                     ringlet_ramp_start(&ramp, &limits, in[5], (int32_t)in[6]);
            break;
        case LIMITS: answer = ringlet_ramp_set_limits(&ramp, &limits); break;
        case TRAVEL: answer = ringlet_ramp_set_travel(&ramp, in[1], in[2]); break;
        case CLEAR: ringlet_ramp_clear_travel(&ramp); break;
        case MOVE: answer = ringlet_ramp_move(&ramp, in[1], (uint32_t)in[2]); break;
        case RUN: ringlet_ramp_run(&ramp, (int32_t)in[1]); break;
        case STOP: ringlet_ramp_stop(&ramp); break;
        case RESET: answer = ringlet_ramp_reset(&ramp, in[1]); break;
        default: return 2;
        }
        if (!put(&ramp, answer)) {
            return 3;
        }
        for (i = 0; i < in[7] && !ringlet_ramp_at_rest(&ramp); i++) {
            ringlet_ramp_tick(&ramp);
            if (!put(&ramp, 1)) {
                return 3;
            }
        }
    }
    return 0;
}
