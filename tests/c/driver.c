/* Loops over the emitted codec for the differential tests. As a shared library: whole arrays in one call. As a program
 * (RINGLET_DRIVER_MAIN): a stream on stdin, and on stdout for each frame that ends in it one verdict byte, and for a
 * good one the verdicts of unpack and pack and the bytes of the frame that pack and encode make of it. */

#include <stddef.h>
#include <stdio.h>

#include "ringlet.h"
#include "ringlet_serial.h"

#ifdef RINGLET_DRIVER_MAIN

int main(void)
{
    ringlet_decoder decoder;
    int byte;
    ringlet_decoder_start(&decoder);
    while ((byte = getchar()) != EOF) {
        ringlet_frame frame;
        ringlet_message message;
        uint8_t line[RINGLET_FRAME_MAX];
        uint8_t count = 0;
        ringlet_result result = ringlet_decoder_feed(&decoder, (uint8_t)byte, &frame);
        if (result == RINGLET_RESULT_MORE) {
            continue;
        }
        putchar(result);
        if (result != RINGLET_OK) {
            continue;
        }
        result = ringlet_unpack(&frame, &message);
        putchar(result);
        if (result != RINGLET_OK) {
            continue;
        }
        putchar(ringlet_pack(&message, &frame));
        putchar(ringlet_frame_encode(&frame, line, &count));
        fwrite(line, 1, count, stdout);
    }
    return 0;
}

#else

size_t drive_size(void);
size_t drive_offset(void);
void drive_unpack(const ringlet_frame *in, size_t count, ringlet_message *out, uint8_t *verdicts);
void drive_pack(const ringlet_message *in, size_t count, ringlet_frame *out, uint8_t *verdicts);
void drive_encode(const ringlet_frame *in, size_t count, uint8_t *lines, uint8_t *lengths);
size_t drive_feed(const uint8_t *stream, size_t count, ringlet_frame *out, uint8_t *verdicts, size_t *where);

size_t drive_size(void)
{
    return sizeof(ringlet_message);
}

size_t drive_offset(void)
{
    return offsetof(ringlet_message, body);
}

void drive_unpack(const ringlet_frame *in, size_t count, ringlet_message *out, uint8_t *verdicts)
{
    size_t i;
    for (i = 0; i < count; i++) {
        verdicts[i] = ringlet_unpack(&in[i], &out[i]);
    }
}

void drive_pack(const ringlet_message *in, size_t count, ringlet_frame *out, uint8_t *verdicts)
{
    size_t i;
    for (i = 0; i < count; i++) {
        verdicts[i] = ringlet_pack(&in[i], &out[i]);
    }
}

void drive_encode(const ringlet_frame *in, size_t count, uint8_t *lines, uint8_t *lengths)
{
    size_t i;
    for (i = 0; i < count; i++) {
        lengths[i] = 0;
        (void)ringlet_frame_encode(&in[i], lines + i * RINGLET_FRAME_MAX, &lengths[i]);
    }
}

/* Frames and verdicts in order, and the index of the byte that ended each. Returns how many. */
size_t drive_feed(const uint8_t *stream, size_t count, ringlet_frame *out, uint8_t *verdicts, size_t *where)
{
    ringlet_decoder decoder;
    size_t found = 0;
    size_t i;
    ringlet_decoder_start(&decoder);
    for (i = 0; i < count; i++) {
        const ringlet_result result = ringlet_decoder_feed(&decoder, stream[i], &out[found]);
        if (result != RINGLET_RESULT_MORE) {
            verdicts[found] = result;
            where[found] = i;
            found++;
        }
    }
    return found;
}

#endif
