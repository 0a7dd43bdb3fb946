/* In place of ringlet_ramp.c and ringlet_plan.c while Eva analyses the rest: any result in its range, and the memory of the
 * ramp any bytes. */

#include "__fc_builtin.h"
#include "ringlet_ramp.h"

#define FAR ((int64_t)1 << 60) /* units: the range of positions and one stopping distance */

static int64_t any_units(void)
{
    return Frama_C_long_long_interval(-FAR, FAR);
}

static uint8_t any_answer(void)
{
    return (uint8_t)Frama_C_interval(0, 1);
}

uint8_t ringlet_ramp_can_hold(const ringlet_ramp_limits *limits, int32_t rate)
{
    (void)limits;
    (void)rate;
    return any_answer();
}

uint8_t ringlet_ramp_start(ringlet_ramp *ramp, const ringlet_ramp_limits *limits, int64_t position, int32_t rate)
{
    (void)limits;
    (void)position;
    (void)rate;
    Frama_C_make_unknown((char *)ramp, sizeof *ramp);
    return any_answer();
}

uint8_t ringlet_ramp_set_limits(ringlet_ramp *ramp, const ringlet_ramp_limits *limits)
{
    (void)ramp;
    (void)limits;
    return any_answer();
}

uint8_t ringlet_ramp_set_travel(ringlet_ramp *ramp, int64_t low, int64_t high)
{
    (void)ramp;
    (void)low;
    (void)high;
    return any_answer();
}

void ringlet_ramp_clear_travel(ringlet_ramp *ramp)
{
    (void)ramp;
}

uint8_t ringlet_ramp_move(ringlet_ramp *ramp, int64_t target, uint32_t speed)
{
    (void)ramp;
    (void)target;
    (void)speed;
    return any_answer();
}

void ringlet_ramp_run(ringlet_ramp *ramp, int32_t velocity)
{
    (void)ramp;
    (void)velocity;
}

void ringlet_ramp_stop(ringlet_ramp *ramp)
{
    (void)ramp;
}

uint8_t ringlet_ramp_reset(ringlet_ramp *ramp, int64_t position)
{
    (void)ramp;
    (void)position;
    return any_answer();
}

void ringlet_ramp_tick(ringlet_ramp *ramp)
{
    (void)ramp;
}

int64_t ringlet_ramp_position(const ringlet_ramp *ramp)
{
    (void)ramp;
    return Frama_C_long_long_interval(-(FAR >> RINGLET_RAMP_FRACTION_BITS), FAR >> RINGLET_RAMP_FRACTION_BITS);
}

int64_t ringlet_ramp_position_units(const ringlet_ramp *ramp)
{
    (void)ramp;
    return any_units();
}

int64_t ringlet_ramp_velocity_units(const ringlet_ramp *ramp)
{
    (void)ramp;
    return any_units();
}

int64_t ringlet_ramp_acceleration_units(const ringlet_ramp *ramp)
{
    (void)ramp;
    return any_units();
}

uint8_t ringlet_ramp_at_rest(const ringlet_ramp *ramp)
{
    (void)ramp;
    return any_answer();
}
