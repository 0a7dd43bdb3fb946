/* Random traffic against the emitted ramp, every promise checked at every tick in whole numbers (ramp_soak.py).
 *
 * ramp_soak SEED TICKS: the promises of tests/hwsim/long_ramp.py, in units and therefore without any slack, but for two
 * that the ramp documents: the put-in tick of a plan may delay the lowering of an |a| above its bound by one tick, and
 * at rest the place is put on the target from no further than 2^-10 mdeg. Prints what happened, or the broken promise. */

#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>

#include "ringlet_ramp.h"

#define ONE RINGLET_RAMP_ONE
#define SPAN 400000 /* mdeg that the random travels lie in */

static uint64_t state;

/* xorshift64*: S. Vigna, "An experimental exploration of Marsaglia's xorshift generators, scrambled", ACM TOMS 2016. */
static uint64_t random_word(void)
{
    state ^= state >> 12;
    state ^= state << 25;
    state ^= state >> 27;
    return state * UINT64_C(2685821657736338717);
}

/* Evenly in low..high. */
static int64_t even(int64_t low, int64_t high)
{
    return low + (int64_t)(random_word() % (uint64_t)(high - low + 1));
}

/* low..high, each doubling about as likely; low is at least 1. */
static int64_t spread(int64_t low, int64_t high)
{
    int doublings = 0;
    int64_t from;
    while (low <= high >> (doublings + 1)) {
        doublings++;
    }
    from = low << even(0, doublings);
    return even(from, from > high / 2 ? high : 2 * from);
}

static int64_t size_of(int64_t x)
{
    return x < 0 ? -x : x;
}

static int64_t lower(int64_t x, int64_t y)
{
    return x < y ? x : y;
}

static int64_t higher(int64_t x, int64_t y)
{
    return x > y ? x : y;
}

/* A crawling rig axis up to a fast focus motor: ramps of 20 ms to 1 s, jerk ramps of 4 ms to 0.25 s. */
static ringlet_ramp_limits some_limits(void)
{
    ringlet_ramp_limits l;
    l.velocity = spread(500, 1500000);
    l.acceleration = spread(l.velocity, 50 * l.velocity);
    l.deceleration = spread(l.velocity, 50 * l.velocity);
    l.jerk = lower(2000000000, higher(l.acceleration, l.deceleration) * spread(4, 250));
    return l;
}

/* Velocity that a still adds while full jerk takes it out. */
static int64_t settling(int64_t a, int64_t jerk)
{
    int64_t size = size_of(a);
    int64_t n = size / jerk;
    int64_t sum = n * size - jerk * n * (n + 1) / 2;
    return a < 0 ? -sum : sum;
}

static int64_t top_speed(int64_t v, int64_t a, int64_t jerk)
{
    return higher(size_of(v), size_of(v + settling(a, jerk)));
}

/* Lowest and highest place on the way to rest under the limits in force, found with a copy. */
static void reach(const ringlet_ramp *ramp, int64_t *low, int64_t *high)
{
    ringlet_ramp twin = *ramp;
    ringlet_ramp_limits force = ringlet_ramp_limits_in_force(ramp);
    ringlet_ramp_set_limits(&twin, &force);
    ringlet_ramp_stop(&twin);
    *low = *high = twin.p;
    while (!ringlet_ramp_at_rest(&twin)) {
        ringlet_ramp_tick(&twin);
        *low = lower(*low, twin.p);
        *high = higher(*high, twin.p);
    }
}

static int64_t outside(int64_t low, int64_t high, int64_t least, int64_t most)
{
    return higher(0, higher(high - most, least - low));
}

static uint64_t seed, ticks, arrivals, hits, out_ticks, limit_changes, waits, travels, reversals;

static void check(int fine, const char *what, const ringlet_ramp *b, const ringlet_ramp *r)
{
    if (!fine) {
        printf("seed %" PRIu64 " tick %" PRIu64 ": %s; p v a ", seed, ticks, what);
        printf("%" PRId64 " %" PRId64 " %" PRId64 " -> %" PRId64 " %" PRId64 " %" PRId64, b->p, b->v, b->a, r->p, r->v, r->a);
        printf(", travel %" PRId64 "..%" PRId64 ", goal %" PRId64, b->low, b->high, b->goal);
        printf(", limits %" PRId64 " %" PRId64 " %" PRId64 " %" PRId64 "\n", b->units.velocity, b->units.acceleration,
               b->units.deceleration, b->units.jerk);
        exit(1);
    }
}

int main(int count, char **words)
{
    static ringlet_ramp ramp;
    ringlet_ramp_limits limits;
    int64_t low = -SPAN / 2, high = SPAN / 2, allowed = 0;
    uint64_t asked;
    if (count != 3) {
        fprintf(stderr, "ramp_soak SEED TICKS\n");
        return 2;
    }
    seed = strtoull(words[1], NULL, 10);
    asked = strtoull(words[2], NULL, 10);
    state = seed * UINT64_C(0x9E3779B97F4A7C15) + 1;
    limits = some_limits();
    if (!ringlet_ramp_start(&ramp, &limits, 0, 1000) || !ringlet_ramp_set_travel(&ramp, low, high)) {
        return 2;
    }
    while (ticks < asked) {
        int64_t choice = even(0, 99), kind = even(0, 99), left, least, most, goal;
        int running = 0;
        if (choice < 40) {
            goal = even(low, high);
            if (kind < 15) {
                goal = kind & 1 ? low : high;
            } else if (kind < 40) {
                goal = ringlet_ramp_position(&ramp) + even(-50, 50);
            } else if (kind < 50) {
                goal = ringlet_ramp_stopping_point(&ramp) + (kind & 1 ? 1 : -1) * spread(1, 1000);
            }
            ringlet_ramp_move(&ramp, goal, kind & 2 ? 0 : (uint32_t)spread(1, 2 * ramp.asked.velocity));
        } else if (choice < 65) {
            ringlet_ramp_run(&ramp, (int32_t)((kind & 1 ? 1 : -1) * spread(1, 2 * ramp.asked.velocity)));
            running = 1;
        } else if (choice < 72) {
            ringlet_ramp_stop(&ramp);
        } else if (choice < 90) {
            limits = some_limits();
            ringlet_ramp_set_limits(&ramp, &limits);
            limit_changes++;
        } else if (choice < 96) {
            low = even(-SPAN, SPAN);
            high = low + spread(10, SPAN);
            if (kind < 85) { /* one that still holds the whole way to rest */
                reach(&ramp, &least, &most);
                low = lower(low, (least >> RINGLET_RAMP_FRACTION_BITS) - even(0, 20));
                high = higher(high, (most >> RINGLET_RAMP_FRACTION_BITS) + 1 + even(0, 20));
            }
            ringlet_ramp_set_travel(&ramp, low, high);
            reach(&ramp, &least, &most);
            allowed = outside(least, most, low * ONE, high * ONE);
            travels++;
        } else {
            ringlet_ramp_reset(&ramp, even(low, high));
            allowed = 0;
        }
        for (left = lower(spread(1, 700), (int64_t)(asked - ticks)); left > 0; left--) {
            const ringlet_ramp b = ramp;
            const ringlet_ramp_units *u = &b.units;
            int64_t bound;
            ringlet_ramp_tick(&ramp);
            ticks++;
            if (ringlet_ramp_at_rest(&b)) {
                check(ramp.p == b.p && ramp.v == b.v && ramp.a == b.a, "moved while at rest", &b, &ramp);
                break;
            }
            waits += b.waiting;
            reversals += (b.v > 0 && ramp.v < 0) || (b.v < 0 && ramp.v > 0);
            bound = outside(ramp.p, ramp.p, low * ONE, high * ONE);
            check(bound <= allowed, "outside the travel", &b, &ramp);
            out_ticks += bound > 0;
            if (allowed > 0 && ticks % 64 == 0) {
                reach(&ramp, &least, &most);
                allowed = lower(allowed, outside(least, most, low * ONE, high * ONE));
            }
            check(size_of(ramp.a - b.a) <= u->jerk, "jerk", &b, &ramp);
            bound = (ramp.v > 0) == (ramp.a > 0) && ramp.v != 0 && ramp.a != 0 ? u->acceleration : u->deceleration;
            bound = higher(bound, size_of(b.a) - u->jerk);
            check(size_of(ramp.a) <= higher(bound, size_of(b.a)), "acceleration", &b, &ramp);
            bound = higher(u->velocity, top_speed(b.v, b.a, u->jerk));
            check(top_speed(ramp.v, ramp.a, u->jerk) <= bound, "velocity", &b, &ramp);
            check(ramp.v == b.v + ramp.a, "v is not the sum of a", &b, &ramp);
            check(ramp.p == b.p + ramp.v || (ringlet_ramp_at_rest(&ramp) && ramp.p == ramp.goal &&
                                             size_of(ramp.p - b.p) <= ONE >> 10),
                  "p is not the sum of v", &b, &ramp);
            if (ringlet_ramp_at_rest(&ramp)) {
                check(ramp.v == 0 && ramp.a == 0, "at rest but moving", &b, &ramp);
                if (ringlet_ramp_target(&ramp, &goal)) {
                    arrivals++;
                    check(ramp.p == goal * ONE, "missed the target", &b, &ramp);
                } else if (running) {
                    hits++;
                    check(ramp.p == low * ONE || ramp.p == high * ONE, "a run ended off the limit", &b, &ramp);
                }
                break;
            }
        }
    }
    printf("%" PRIu64 " %" PRIu64 " %" PRIu64 " %" PRIu64, ticks, arrivals, hits, out_ticks);
    printf(" %" PRIu64 " %" PRIu64 " %" PRIu64 " %" PRIu64 "\n", limit_changes, waits, travels, reversals);
    return 0;
}
