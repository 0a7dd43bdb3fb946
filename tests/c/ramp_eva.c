/* What Frama-C's Eva analysis runs of the ramp: every public function, with any numbers that a caller may hand in, on a
 * ramp in any state that fits its limits. The ramp is included, so that its inner functions are met with values too.
 *
 * Eva does not know that a number of steps times jerk is an acceleration. It is therefore run for limits that are given
 * (EVA_LIMITS), with v, a and everything inside a plan anywhere in the ranges that the limits allow; test_ramp_frama.py
 * says which. Over the whole range of limits, overflow is watched by UBSan in the lock-step run. */

#include "__fc_builtin.h"
#include "ringlet_plan.c"
#include "ringlet_ramp.c"
#include "eva_limits.h" /* #define EVA_LIMITS {velocity, acceleration, deceleration, jerk} */

static const ringlet_ramp_limits given = EVA_LIMITS;

static int64_t any_of(int64_t low, int64_t high)
{
    return Frama_C_long_long_interval(low, high);
}

static int any_flag(void)
{
    return Frama_C_interval(0, 1);
}

static int64_t any_place(void)
{
    return any_of(-RINGLET_RAMP_POSITION_LIMIT * ONE, RINGLET_RAMP_POSITION_LIMIT * ONE);
}

/* A plan of valid form for limits in units: level within the larger bound, the put-in level below it. */
static ringlet_ramp_plan any_plan(const ringlet_ramp_units *u)
{
    int64_t widest = higher(u->acceleration, u->deceleration);
    int64_t longest = u->velocity / lower(u->acceleration, u->deceleration) + 2;
    return ringlet_plan_of(any_flag() ? 1 : -1, (unsigned)any_flag(), any_of(0, widest), any_of(0, longest), any_of(0, widest));
}

/* Any ramp with these limits in force. */
static void fill(ringlet_ramp *r)
{
    int32_t started = ringlet_ramp_start(r, &given, any_of(-1000, 1000), 1000);
    const ringlet_ramp_units u = r->units;
    int64_t widest = higher(u.acceleration, u.deceleration);
    int64_t reach = RINGLET_RAMP_POSITION_LIMIT * ONE * 2;
    /*@ assert started == 1; */
    r->p = any_place();
    r->v = any_of(-u.velocity, u.velocity);
    r->a = any_of(-widest, widest);
    r->low = any_place();
    r->high = any_place();
    r->goal = any_place();
    r->target = any_of(-RINGLET_RAMP_POSITION_LIMIT, RINGLET_RAMP_POSITION_LIMIT);
    r->speed = any_of(1, RINGLET_RAMP_VELOCITY_MOST * ONE / 1000);
    r->brake.plan = any_plan(&u);
    r->brake.end = any_of(-reach, reach);
    r->brake.low = any_of(-reach, reach);
    r->brake.high = any_of(-reach, reach);
    r->cruise = any_plan(&u);
    r->run = (int8_t)Frama_C_interval(-1, 1);
    r->sign = (int8_t)Frama_C_interval(-1, 1);
    r->cruising = (uint8_t)any_flag();
    r->targeted = (uint8_t)any_flag();
    r->travelled = (uint8_t)any_flag();
    r->stopping = (uint8_t)any_flag();
    r->idle = (uint8_t)any_flag();
    r->waiting = (uint8_t)any_flag();
}

/* The brake plan from any state: where all the products are. */
static void plans(void)
{
    ringlet_ramp r;
    ringlet_ramp_brake brake;
    fill(&r);
    brake = ringlet_plan_brake(r.p, r.v, r.a, &r.units);
    /*@ assert brake.plan.hold >= 0 && brake.plan.approach <= 1; */
}

static void ticks(void)
{
    ringlet_ramp r;
    fill(&r);
    ringlet_ramp_tick(&r);
    /*@ assert r.idle <= 1 && r.stopping <= 1 && r.waiting <= 1; */
}

static void commands(void)
{
    ringlet_ramp r;
    ringlet_ramp_limits some;
    int64_t out, other;
    uint8_t answer;
    some.velocity = any_of(INT64_MIN, INT64_MAX);
    some.acceleration = any_of(INT64_MIN, INT64_MAX);
    some.deceleration = any_of(INT64_MIN, INT64_MAX);
    some.jerk = any_of(INT64_MIN, INT64_MAX);
    ringlet_ramp_can_hold(&some, Frama_C_interval(-0x7FFFFFFF - 1, 0x7FFFFFFF));
    ringlet_ramp_mdeg(any_of(INT64_MIN, INT64_MAX));
    fill(&r);
    switch (Frama_C_interval(0, 9)) {
    case 0: answer = ringlet_ramp_set_limits(&r, &given); break;
    case 1: answer = ringlet_ramp_set_travel(&r, any_of(INT64_MIN, INT64_MAX), any_of(INT64_MIN, INT64_MAX)); break;
    case 2: ringlet_ramp_clear_travel(&r); break;
    case 3:
        answer = ringlet_ramp_move(&r, any_of(INT64_MIN, INT64_MAX), Frama_C_unsigned_int_interval(0, 0xFFFFFFFFu));
        break;
    case 4: ringlet_ramp_run(&r, Frama_C_interval(-0x7FFFFFFF - 1, 0x7FFFFFFF)); break;
    case 5: ringlet_ramp_stop(&r); break;
    case 6: answer = ringlet_ramp_reset(&r, any_of(INT64_MIN, INT64_MAX)); break;
    default: break;
    }
    /*@ assert r.idle <= 1 && r.stopping <= 1 && r.waiting <= 1 && -1 <= r.run <= 1; */
    ringlet_ramp_position(&r);
    ringlet_ramp_velocity(&r);
    ringlet_ramp_acceleration(&r);
    ringlet_ramp_stopping_point(&r);
    ringlet_ramp_position_units(&r);
    ringlet_ramp_velocity_units(&r);
    ringlet_ramp_acceleration_units(&r);
    ringlet_ramp_stopping_point_units(&r);
    ringlet_ramp_at_rest(&r);
    ringlet_ramp_target(&r, &out);
    ringlet_ramp_travel(&r, &out, &other);
    ringlet_ramp_limits_asked(&r);
    ringlet_ramp_limits_in_force(&r);
}

int main(void)
{
    plans();
    ticks();
    commands();
    return 0;
}
