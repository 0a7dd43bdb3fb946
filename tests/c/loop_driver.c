/* The position and velocity loop behind flat arrays, so that a test needs no layout of its structs. One loop. */

#include <stddef.h>

#include "ringlet_loop.h"

#define MEASURED 5 /* counts, current, housing, supply, encoder_ok */
#define SETPOINT 5 /* on, torque, position, velocity, acceleration */
#define TOLD 11 /* command, duty, then the nine fields of a reading */

static ringlet_loop loop;
static ringlet_loop_measured last;

static ringlet_loop_tuning tuning_of(const int32_t *v)
{
    const ringlet_loop_tuning t = {v[0], v[1], v[2],  v[3],  v[4],  v[5],  v[6], v[7],
                                   v[8], v[9], v[10], v[11], v[12], v[13], v[14]};
    return t;
}

static ringlet_loop_measured measured_of(const int32_t *v)
{
    const ringlet_loop_measured m = {v[0], v[1], v[2], v[3], (uint8_t)(v[4] != 0)};
    return m;
}

int drive_derive(const int32_t *figures, int32_t *values)
{
    const ringlet_loop_figures f = {figures[0], figures[1], figures[2], figures[3], figures[4],
                                    figures[5], figures[6], figures[7], figures[8]};
    ringlet_loop_tuning t = tuning_of(values);
    const int done = ringlet_loop_derive(&f, &t);
    const int32_t found[] = {t.velocity_gain,  t.integral_corner, t.inertia_feed, t.friction_feed, t.rest_band,
                             t.velocity_filter, t.torque_per_amp, t.back_emf,     t.peak_current,  t.resistance,
                             t.winding_heat,   t.winding_to_case, t.derate_from,  t.winding_max,   t.runaway_speed};
    size_t i;
    for (i = 0; i < sizeof found / sizeof found[0]; i++) {
        values[i] = found[i];
    }
    return done;
}

int drive_init(const int32_t *values)
{
    const ringlet_loop_tuning t = tuning_of(values);
    return ringlet_loop_init(&loop, &t);
}

void drive_settings(const int32_t *v)
{
    const ringlet_drive_settings s = {v[0], v[1], v[2], v[3], v[4], v[5], v[6], v[7]};
    ringlet_loop_configure(&loop, &s);
}

void drive_start(const int32_t *measured)
{
    last = measured_of(measured);
    ringlet_loop_start(&loop, &last);
}

static void tell(int32_t *told)
{
    ringlet_reading r;
    ringlet_loop_read(&loop, &r);
    told[2] = r.position;
    told[3] = r.velocity;
    told[4] = r.current;
    told[5] = r.torque;
    told[6] = r.winding;
    told[7] = r.housing;
    told[8] = r.supply;
    told[9] = r.encoder_ok;
    told[10] = r.torque_limited;
}

void drive_control(const int64_t *setpoint, int32_t *told)
{
    const ringlet_setpoint s = {(uint8_t)(setpoint[0] != 0), (int32_t)setpoint[1], setpoint[2], setpoint[3],
                                setpoint[4]};
    told[0] = ringlet_loop_control(&loop, &s);
    told[1] = ringlet_loop_duty(&loop);
    tell(told);
}

void drive_sense(const int32_t *measured, int32_t *told)
{
    last = measured_of(measured);
    ringlet_loop_sense(&loop, &last);
    tell(told);
}

/* For each tick: control towards a setpoint, then what is measured after it. */
void drive_run(size_t ticks, const int64_t *setpoints, const int32_t *measured, int32_t *told)
{
    for (; ticks > 0u; ticks--, setpoints += SETPOINT, measured += MEASURED, told += TOLD) {
        drive_control(setpoints, told);
        drive_sense(measured, told);
    }
}

int32_t drive_counts(int32_t before, uint16_t counter)
{
    return ringlet_loop_counts(before, counter);
}
