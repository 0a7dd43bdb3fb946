/* libFuzzer target: any bytes through the emitted decoder; a frame found encodes to one that decodes to it, and a message
 * unpacked packs to what came. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "fuzz_count.h"
#include "ringlet_serial.h"

static void survive(const ringlet_frame *frame)
{
    uint8_t line[RINGLET_FRAME_MAX];
    uint8_t count = 0;
    uint8_t i;
    ringlet_decoder decoder;
    ringlet_frame again;
    ringlet_result result = RINGLET_RESULT_MORE;
    ringlet_message message;
    if (frame->size == 0u || frame->size > RINGLET_BODY_MAX) {
        abort();
    }
    if (ringlet_frame_encode(frame, line, &count) != RINGLET_OK || count > RINGLET_FRAME_MAX) {
        abort();
    }
    ringlet_decoder_start(&decoder);
    for (i = 0; i < count; i++) {
        result = ringlet_decoder_feed(&decoder, line[i], &again);
    }
    if (result != RINGLET_OK || again.ident != frame->ident || again.size != frame->size ||
        memcmp(again.body, frame->body, frame->size) != 0) {
        abort();
    }
    if (ringlet_unpack(frame, &message) == RINGLET_OK) {
        if (ringlet_pack(&message, &again) != RINGLET_OK || again.ident != frame->ident || again.size > frame->size) {
            abort();
        }
    }
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    ringlet_decoder decoder;
    ringlet_frame frame;
    size_t i;
    ringlet_decoder_start(&decoder);
    for (i = 0; i < size; i++) {
        if (ringlet_decoder_feed(&decoder, data[i], &frame) == RINGLET_OK) {
            survive(&frame);
        }
    }
    fuzz_count(size);
    return 0;
}
