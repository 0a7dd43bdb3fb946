/* What Frama-C's Eva analysis runs on the position and velocity loop: each call with any arguments, from every state that
 * `any_state` describes; `check_state` asserts that it ends in one of them, and `init` begins from unset memory. So what
 * holds for one call holds for any number of them in any order. */

#include "__fc_builtin.h"
#include "ringlet_loop.h"

#define COUNTS ((int64_t)1 << 35)
#define PLACE (((int64_t)1 << 47) + 65536)
#define SPEED ((int64_t)1 << 36)
#define ERROR ((int64_t)1 << 46)
#define GAIN 0x7FFFFFFFLL
#define TAKEN 0x40000000LL
#define INTEGRAL 0x10000000000000LL
#define COLD -100000000000LL
#define HOT 1000000000000LL

static ringlet_loop loop;

static int32_t any(int32_t low, int32_t high)
{
    return Frama_C_interval(low, high);
}

static int64_t any_long(int64_t low, int64_t high)
{
    return Frama_C_long_long_interval(low, high);
}

static int32_t any_int(void)
{
    return any(-2147483647 - 1, 2147483647);
}

static uint8_t any_byte(void)
{
    return (uint8_t)Frama_C_unsigned_char_interval(0, 255);
}

static uint8_t any_flag(void)
{
    return (uint8_t)Frama_C_unsigned_char_interval(0, 1);
}

static ringlet_loop_measured any_measured(void)
{
    ringlet_loop_measured m;
    m.counts = any_int();
    m.current = any_int();
    m.housing = any_int();
    m.supply = any_int();
    m.encoder_ok = any_byte();
    return m;
}

static ringlet_loop_scale any_scale(void)
{
    ringlet_loop_scale scale;
    scale.up = any_long(1, 360000LL * 400);
    scale.down = any_long(1, 2000LL * 10000000);
    scale.direction = any_flag() ? 1 : -1;
    return scale;
}

static void any_state(void)
{
    loop.tuning.velocity_gain = any(0, 2147483647);
    loop.tuning.integral_corner = any(0, 1000000);
    loop.tuning.inertia_feed = any(0, 2147483647);
    loop.tuning.friction_feed = any(0, 1000000000);
    loop.tuning.rest_band = any(0, 2147483647);
    loop.tuning.velocity_filter = any(1, 65536);
    loop.tuning.torque_per_amp = any(1, 2147483647);
    loop.tuning.back_emf = any(0, 2147483647);
    loop.tuning.peak_current = any(1, 1000000);
    loop.tuning.resistance = any(1, 1000000);
    loop.tuning.winding_heat = any(1, 100000000);
    loop.tuning.winding_to_case = any(1, 100000000);
    loop.tuning.winding_max = any(-999, 10000);
    loop.tuning.derate_from = any(-1000, 9999);
    loop.tuning.runaway_speed = any(0, 2147483647);
    loop.measured = any_measured();
    loop.scale = any_scale();
    loop.next = any_scale();
    loop.kp = any_long(0, 100000);
    loop.kv = any_long(0, GAIN);
    loop.ka = any_long(0, GAIN);
    loop.half = any_long(0, TAKEN);
    loop.band = any_long(0, ERROR);
    loop.total = any_long(-COUNTS, COUNTS);
    loop.position = any_long(-PLACE, PLACE);
    loop.velocity = any_long(-SPEED, SPEED);
    loop.taken = any_long(-TAKEN, TAKEN);
    loop.integral = any_long(-INTEGRAL, INTEGRAL);
    loop.winding = any_long(COLD, HOT);
    loop.error = any_long(-ERROR, ERROR);
    loop.run_speed = any_long(-SPEED, SPEED);
    loop.command = any(-1000000, 1000000);
    loop.side = (int8_t)any(-1, 1);
    loop.torque_limited = any_flag();
    loop.run_ticks = (uint8_t)any(0, 20);
    loop.followed = (uint8_t)any(0, 50);
    loop.runaway = any_flag();
}

static void check_state(void)
{
    const ringlet_loop_tuning *t = &loop.tuning;
    /*@ assert 0 <= t->velocity_gain && 0 <= t->integral_corner <= 1000000 && 0 <= t->inertia_feed; */
    /*@ assert 0 <= t->friction_feed <= 1000000000 && 0 <= t->rest_band && 1 <= t->velocity_filter <= 65536; */
    /*@ assert 1 <= t->torque_per_amp && 0 <= t->back_emf && 1 <= t->peak_current <= 1000000; */
    /*@ assert 1 <= t->resistance <= 1000000 && 1 <= t->winding_heat <= 100000000; */
    /*@ assert 1 <= t->winding_to_case <= 100000000 && 0 <= t->runaway_speed; */
    /*@ assert -999 <= t->winding_max <= 10000 && -1000 <= t->derate_from <= 9999; */
    /*@ assert 1 <= loop.scale.up <= 360000 * 400 && 1 <= loop.scale.down <= 2000 * 10000000; */
    /*@ assert 1 <= loop.next.up <= 360000 * 400 && 1 <= loop.next.down <= 2000 * 10000000; */
    /*@ assert loop.scale.direction == 1 || loop.scale.direction == -1; */
    /*@ assert loop.next.direction == 1 || loop.next.direction == -1; */
    /*@ assert 0 <= loop.kp <= 100000 && 0 <= loop.kv <= 0x7FFFFFFF && 0 <= loop.ka <= 0x7FFFFFFF; */
    /*@ assert 0 <= loop.half <= 0x40000000 && 0 <= loop.band <= 0x400000000000; */
    /*@ assert -0x800000000 <= loop.total <= 0x800000000; */
    /*@ assert -0x800000010000 <= loop.position <= 0x800000010000; */
    /*@ assert -0x1000000000 <= loop.velocity <= 0x1000000000; */
    /*@ assert -0x40000000 <= loop.taken <= 0x40000000; */
    /*@ assert -0x10000000000000 <= loop.integral <= 0x10000000000000; */
    /*@ assert -100000000000 <= loop.winding <= 1000000000000; */
    /*@ assert -0x400000000000 <= loop.error <= 0x400000000000; */
    /*@ assert -0x1000000000 <= loop.run_speed <= 0x1000000000; */
    /*@ assert -1000000 <= loop.command <= 1000000; */
    /*@ assert -1 <= loop.side <= 1 && loop.torque_limited <= 1 && loop.run_ticks <= 20 && loop.runaway <= 1; */
    /*@ assert loop.followed <= 50; */
    (void)t;
}

void init(void)
{
    ringlet_loop fresh;
    ringlet_loop_tuning t;
    t.velocity_gain = any_int();
    t.integral_corner = any_int();
    t.inertia_feed = any_int();
    t.friction_feed = any_int();
    t.rest_band = any_int();
    t.velocity_filter = any_int();
    t.torque_per_amp = any_int();
    t.back_emf = any_int();
    t.peak_current = any_int();
    t.resistance = any_int();
    t.winding_heat = any_int();
    t.winding_to_case = any_int();
    t.derate_from = any_int();
    t.winding_max = any_int();
    t.runaway_speed = any_int();
    (void)ringlet_loop_init(&fresh, &t);
    loop = fresh;
    check_state();
}

void derive(void)
{
    ringlet_loop_figures f;
    ringlet_loop_tuning t;
    f.torque_constant = any_int();
    f.gearhead_ratio = any_int();
    f.gearhead_efficiency = any_int();
    f.motor_teeth = any_int();
    f.ring_teeth = any_int();
    f.rotor_inertia = any_int();
    f.ring_inertia = any_int();
    f.rotor_friction = any_int();
    f.ring_friction = any_int();
    if (ringlet_loop_derive(&f, &t)) {
        /*@ assert 0 <= t.velocity_gain && 0 <= t.inertia_feed && 0 <= t.friction_feed <= 1000000000; */
        /*@ assert 0 <= t.torque_per_amp && 0 <= t.back_emf && t.velocity_filter == 29569; */
        (void)t;
    }
}

void start(void)
{
    const ringlet_loop_measured m = any_measured();
    any_state();
    ringlet_loop_start(&loop, &m);
    check_state();
}

void configure(void)
{
    ringlet_drive_settings s;
    s.reversed = any_int();
    s.motor_teeth = any_int();
    s.ring_teeth = any_int();
    s.encoder_counts = any_int();
    s.backlash = any_int();
    s.backlash_compensation = any_int();
    s.position_gain = any_int();
    s.velocity_gain = any_int();
    any_state();
    ringlet_loop_configure(&loop, &s);
    check_state();
}

void sense(void)
{
    const ringlet_loop_measured m = any_measured();
    any_state();
    ringlet_loop_sense(&loop, &m);
    check_state();
}

void control(void)
{
    ringlet_setpoint s;
    int32_t current;
    s.on = any_byte();
    s.torque = any_int();
    s.position = any_long(-9223372036854775807LL - 1, 9223372036854775807LL);
    s.velocity = any_long(-9223372036854775807LL - 1, 9223372036854775807LL);
    s.acceleration = any_long(-9223372036854775807LL - 1, 9223372036854775807LL);
    any_state();
    current = ringlet_loop_control(&loop, &s);
    /*@ assert -1000000 <= current <= 1000000; */
    (void)current;
    check_state();
}

void tell(void)
{
    ringlet_reading r;
    int32_t duty;
    any_state();
    ringlet_loop_read(&loop, &r);
    duty = ringlet_loop_duty(&loop);
    /*@ assert -32768 <= duty <= 32768; */
    /*@ assert r.position >= -2147483647 && r.velocity >= -2147483647 && r.torque >= -2147483647; */
    /*@ assert -1000000 <= r.current <= 1000000 && -1000 <= r.winding <= 10000; */
    (void)duty;
    (void)r;
    (void)ringlet_loop_counts(any_int(), (uint16_t)any(0, 0xFFFF));
    check_state();
}

int main(void)
{
    init();
    derive();
    start();
    configure();
    sense();
    control();
    tell();
    return 0;
}
