/* Every state of a small world, every command in each: an exhaustive search over the emitted ramp (prove_ramp.py).
 *
 * The ramp is included as it stands, but with a unit of one mdeg (RINGLET_RAMP_FRACTION_BITS 0), so that a whole world
 * of positions, velocities and accelerations can be walked through. World: one or more sets of limits in units a tick,
 * the travel 0..N and some narrower ones. Search: from every state inside the limits that can stop inside the travel
 * (with a fresh brake plan), and from all that come of them: one tick as it is, and one tick after each command: move
 * to every place at several speeds, run, stop, each set of limits, each travel, reset.
 *
 * Checked for each tick, from the outside (p, v, a alone, and the walk to rest that really happens):
 *   v and p are the sums; jerk; |a|; speed, with what a still adds; the walk to rest reaches no further outside the
 *   travel than the walk from the state before did, so that a state that can stop inside stays one; it ends, where the
 *   plan says, and not outside what the plan says.
 *
 * ramp_states N V A D J [V A D J ...]: travel and up to four sets of limits. Prints starts, states, states with every
 * command, ticks, ticks in which an |a| above its bound is lowered one tick late, ticks outside a shrunk travel, ticks
 * with limits waiting; returns 1, with the state, at the first promise that is not kept. */

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "ringlet_plan.c"
#include "ringlet_ramp.c"

#define RATE 100
#define SETS 4
#define WORDS 28
#define TABLE (1u << 22)

typedef struct {
    int16_t word[WORDS];
} packed;

typedef struct {
    packed key;
    int16_t low, high; /* reach of the walk to rest */
    int16_t full;
} entry;

static ringlet_ramp_limits sets[SETS];
static ringlet_ramp_units set_in_units[SETS];
static int set_count;
static int64_t most; /* travel 0..most */
static entry *table;
static uint32_t *queue;
static uint8_t *cores;
static uint32_t used, core_count;
static unsigned long long ticks, starts, put_in, outside, waits;

/* Prints the promise and ends the program. */
static void fail(const char *what, const ringlet_ramp *before, const ringlet_ramp *after)
{
    printf("%s; p v a %lld %lld %lld -> %lld %lld %lld; goal %lld, travel %lld..%lld, limits %lld %lld %lld %lld\n",
           what, (long long)before->p, (long long)before->v, (long long)before->a, (long long)after->p,
           (long long)after->v, (long long)after->a, (long long)before->goal, (long long)before->low,
           (long long)before->high, (long long)before->units.velocity, (long long)before->units.acceleration,
           (long long)before->units.deceleration, (long long)before->units.jerk);
    exit(1);
}

static int index_of(const ringlet_ramp_units *units)
{
    int i;
    for (i = 0; i < set_count; i++) {
        const ringlet_ramp_units *one = &set_in_units[i];
        if (one->velocity == units->velocity && one->acceleration == units->acceleration &&
            one->deceleration == units->deceleration && one->jerk == units->jerk) {
            return i;
        }
    }
    return -1;
}

/* What decides the motion from here on; the first 15 words are all that a new command leaves as it is. */
static packed pack(const ringlet_ramp *r)
{
    int64_t w[WORDS];
    packed out;
    int i;
    memset(w, 0, sizeof w);
    w[0] = r->p; w[1] = r->v; w[2] = r->a; w[3] = r->low; w[4] = r->high;
    w[5] = index_of(&r->units); w[6] = index_of(&r->wanted); w[7] = r->waiting;
    w[8] = r->brake.plan.level; w[9] = r->brake.plan.hold; w[10] = r->brake.plan.rest;
    w[11] = r->brake.plan.side * 2 + r->brake.plan.approach;
    w[12] = r->brake.end; w[13] = r->brake.low; w[14] = r->brake.high;
    w[15] = r->stopping; w[16] = r->idle; w[17] = r->run; w[18] = r->targeted;
    if (!r->stopping) {
        w[19] = r->goal; w[20] = r->speed; w[21] = r->targeted ? r->target : 0; w[22] = r->cruising;
        if (r->cruising) {
            w[23] = r->cruise.level; w[24] = r->cruise.hold; w[25] = r->cruise.rest;
            w[26] = r->cruise.side * 2 + r->cruise.approach; w[27] = r->sign;
        }
    }
    for (i = 0; i < WORDS; i++) {
        out.word[i] = (int16_t)w[i];
        if (out.word[i] != w[i]) {
            fail("a number of this world does not fit its word", r, r);
        }
    }
    return out;
}

static void unpack(const packed *in, ringlet_ramp *r)
{
    const int16_t *w = in->word;
    ringlet_ramp_start(r, &sets[0], 0, RATE);
    r->p = w[0]; r->v = w[1]; r->a = w[2]; r->low = w[3]; r->high = w[4];
    r->units = set_in_units[w[5]]; r->in_force = sets[w[5]];
    r->wanted = set_in_units[w[6]]; r->asked = sets[w[6]];
    r->waiting = (uint8_t)w[7];
    r->brake.plan = ringlet_plan_of(w[11] > 0 ? 1 : -1, (unsigned)(w[11] & 1), w[8], w[9], w[10]);
    r->brake.end = w[12]; r->brake.low = w[13]; r->brake.high = w[14];
    r->stopping = (uint8_t)w[15]; r->idle = (uint8_t)w[16]; r->run = (int8_t)w[17]; r->targeted = (uint8_t)w[18];
    r->goal = w[19]; r->speed = w[20]; r->target = w[21]; r->cruising = (uint8_t)w[22];
    r->cruise = ringlet_plan_of(w[26] > 0 ? 1 : -1, (unsigned)(w[26] & 1), w[23], w[24], w[25]);
    r->sign = (int8_t)w[27];
}

static uint32_t hash(const packed *key, int words)
{
    uint64_t h = 1469598103934665603u;
    int i;
    for (i = 0; i < words; i++) {
        h = (h ^ (uint16_t)key->word[i]) * 1099511628211u;
    }
    return (uint32_t)(h ^ h >> 29);
}

/* Lowest and highest place on the way to rest under the limits in force, by going there. */
static void walk(const ringlet_ramp *from, int16_t *low, int16_t *high)
{
    ringlet_ramp r = *from;
    int count = 0;
    int64_t least = r.p, top = r.p;
    r.wanted = r.units;
    r.waiting = 0;
    ringlet_ramp_stop(&r);
    while (!ringlet_ramp_at_rest(&r)) {
        int64_t p = r.p, v = r.v, a = r.a;
        ringlet_ramp_tick(&r);
        if (size_of(r.a - a) > r.units.jerk || r.v != v + r.a || r.p != p + r.v) {
            fail("jerk or sums while braking", from, &r);
        }
        least = lower(least, r.p);
        top = higher(top, r.p);
        if (++count > 10000) {
            fail("braking does not end", from, &r);
        }
    }
    if (r.p != from->brake.end || least < from->brake.low || top > from->brake.high) {
        fail("braking ends elsewhere or reaches further than its plan says", from, &r);
    }
    *low = (int16_t)least;
    *high = (int16_t)top;
}

static entry *enter(const ringlet_ramp *r)
{
    packed key = pack(r);
    uint32_t at = hash(&key, WORDS) & (TABLE - 1);
    while (table[at].full) {
        if (memcmp(&table[at].key, &key, sizeof key) == 0) {
            return &table[at];
        }
        at = (at + 1) & (TABLE - 1);
    }
    if (used > TABLE / 4 * 3) {
        printf("too many states for the table: choose a smaller world\n");
        exit(2);
    }
    table[at].key = key;
    table[at].full = 1;
    walk(r, &table[at].low, &table[at].high);
    queue[used++] = at;
    return &table[at];
}

/* One mark for each core (see pack), so that the commands are tried once only. Two cores with one hash would lose one:
 * the table therefore holds the keys as well, in the same way. */
static packed *core_keys;

static int new_core(const packed *key)
{
    uint32_t at = hash(key, 15) & (TABLE - 1);
    while (cores[at]) {
        if (memcmp(core_keys[at].word, key->word, 15 * sizeof key->word[0]) == 0) {
            return 0;
        }
        at = (at + 1) & (TABLE - 1);
    }
    cores[at] = 1;
    core_keys[at] = *key;
    core_count++;
    return 1;
}

static int64_t out_of(const ringlet_ramp *r, int64_t low, int64_t high)
{
    return higher(0, higher(r->low - low, high - r->high));
}

/* Velocity with what a still adds, step by step. */
static int64_t top_speed(int64_t v, int64_t a, int64_t jerk)
{
    int64_t top = size_of(v);
    while (size_of(a) > jerk) {
        a += a > 0 ? -jerk : jerk;
        v += a;
        top = higher(top, size_of(v));
    }
    return top;
}

/* One tick of a ramp that may just have been given a command; `low`, `high`: reach of the walk before. */
static void step(ringlet_ramp r, int64_t low, int64_t high)
{
    const ringlet_ramp b = r;
    const ringlet_ramp_units *u = &b.units;
    entry *found;
    int64_t bound, out = out_of(&b, low, high);
    ringlet_ramp_tick(&r);
    ticks++;
    waits += b.waiting;
    if (size_of(r.a - b.a) > u->jerk) {
        fail("jerk", &b, &r);
    }
    if (r.v != b.v + r.a || r.p != b.p + r.v) {
        if (!(r.v == 0 && r.a == 0 && r.idle && r.p == r.goal && size_of(r.p - b.p - r.v) <= NEAR)) {
            fail("sums", &b, &r);
        }
    }
    bound = r.v * r.a > 0 ? u->acceleration : u->deceleration;
    bound = higher(bound, size_of(b.a) - u->jerk);
    if (size_of(r.a) > bound) {
        put_in++; /* one put-in tick may delay the lowering of an |a| above its bound */
        if (size_of(r.a) > size_of(b.a)) {
            fail("acceleration", &b, &r);
        }
    }
    if (top_speed(r.v, r.a, u->jerk) > higher(u->velocity, top_speed(b.v, b.a, u->jerk))) {
        fail("velocity", &b, &r);
    }
    found = enter(&r);
    outside += out > 0;
    if (out_of(&r, found->low, found->high) > out) {
        fail("can no longer stop inside the travel, or only further outside", &b, &r);
    }
}

/* Limits that come in force at once may not reach further out either: then the walk is another one. */
static void step_after(const ringlet_ramp *r, const ringlet_ramp *before, const entry *from)
{
    int16_t low, high;
    walk(r, &low, &high);
    if (out_of(r, low, high) > out_of(r, from->low, from->high)) {
        fail("a command makes it reach further outside", before, r);
    }
    step(*r, low, high);
}

static void commands(const ringlet_ramp *before, const entry *from)
{
    const int64_t travels[4][2] = {{0, most}, {most / 4, most}, {0, most - most / 3}, {most / 3, most / 2}};
    int64_t top = before->wanted.velocity;
    int64_t speeds[3] = {1, (top + 1) / 2, top};
    ringlet_ramp r;
    int64_t target;
    int i;
    for (i = 0; i < 3; i++) {
        if (i > 0 && speeds[i] == speeds[i - 1]) {
            continue;
        }
        for (target = -1; target <= most + 1; target++) {
            r = *before;
            ringlet_ramp_move(&r, target, (uint32_t)(speeds[i] * RATE / ONE));
            step(r, from->low, from->high);
        }
        r = *before;
        ringlet_ramp_run(&r, (int32_t)(speeds[i] * RATE / ONE));
        step(r, from->low, from->high);
        r = *before;
        ringlet_ramp_run(&r, (int32_t)(-speeds[i] * RATE / ONE));
        step(r, from->low, from->high);
    }
    r = *before;
    ringlet_ramp_stop(&r);
    step(r, from->low, from->high);
    for (i = 0; i < set_count; i++) {
        r = *before;
        ringlet_ramp_set_limits(&r, &sets[i]);
        step_after(&r, before, from);
        ringlet_ramp_run(&r, 1000000);
        step_after(&r, before, from);
    }
    for (i = 0; i < 4; i++) {
        r = *before;
        ringlet_ramp_set_travel(&r, travels[i][0], travels[i][1]);
        step_after(&r, before, from);
    }
    r = *before;
    ringlet_ramp_reset(&r, most / 2);
    enter(&r);
}

/* Every state inside the limits that can stop inside the travel, with a fresh plan. */
static void begin(int set)
{
    const ringlet_ramp_units *u = &set_in_units[set];
    int64_t v, a, p, widest = higher(u->acceleration, u->deceleration);
    for (v = -u->velocity; v <= u->velocity; v++) {
        for (a = -widest; a <= widest; a++) {
            if (size_of(a) > (v * a > 0 ? u->acceleration : u->deceleration) || !ringlet_plan_fits(v, a, u) ||
                top_speed(v, a, u->jerk) > u->velocity) {
                continue;
            }
            for (p = 0; p <= most * ONE; p++) {
                ringlet_ramp r;
                int16_t low, high;
                ringlet_ramp_start(&r, &sets[set], 0, RATE);
                ringlet_ramp_set_travel(&r, 0, most);
                r.p = p;
                r.v = v;
                r.a = a;
                r.brake = ringlet_plan_brake(p, v, a, u);
                ringlet_ramp_stop(&r);
                walk(&r, &low, &high);
                if (low >= 0 && high <= most * ONE) {
                    starts++;
                    enter(&r);
                }
            }
        }
    }
}

int main(int count, char **words)
{
    uint32_t i;
    if (count < 6 || (count - 2) % 4 != 0 || (count - 2) / 4 > SETS) {
        fprintf(stderr, "ramp_states N V A D J [V A D J ...]\n");
        return 2;
    }
    most = atol(words[1]);
    table = calloc(TABLE, sizeof *table);
    queue = malloc(TABLE * sizeof *queue);
    cores = calloc(TABLE, 1);
    core_keys = malloc(TABLE * sizeof *core_keys);
    if (!table || !queue || !cores || !core_keys) {
        return 2;
    }
    set_count = (count - 2) / 4;
    for (i = 0; i < (uint32_t)set_count; i++) {
        sets[i].velocity = atol(words[2 + 4 * i]) * RATE / ONE;
        sets[i].acceleration = atol(words[3 + 4 * i]) * RATE * RATE / ONE;
        sets[i].deceleration = atol(words[4 + 4 * i]) * RATE * RATE / ONE;
        sets[i].jerk = atol(words[5 + 4 * i]) * RATE * RATE * RATE / ONE;
        if (!set_units(&set_in_units[i], &sets[i], RATE)) {
            fprintf(stderr, "these limits are refused\n");
            return 2;
        }
    }
    for (i = 0; i < (uint32_t)set_count; i++) {
        begin((int)i);
    }
    for (i = 0; i < used; i++) {
        const entry from = table[queue[i]];
        ringlet_ramp r;
        unpack(&from.key, &r);
        step(r, from.low, from.high);
        if (new_core(&from.key)) {
            commands(&r, &from);
        }
    }
    printf("%llu %lu %lu %llu %llu %llu %llu\n", starts, (unsigned long)used, (unsigned long)core_count, ticks, put_in,
           outside, waits);
    return 0;
}
