/* What Frama-C's Eva analysis runs: every function of the emitted codec over all inputs of their real sizes and all
 * states. Values come from Frama-C's builtins, so each call stands for all of them at once. Bytes behind the end of a
 * body are left uninitialised: a read there is an alarm. Nothing here knows a message by name. */

#include "__fc_builtin.h"
#include "ringlet.h"
#include "ringlet_serial.h"
#include "ringlet_tables.h"

static uint8_t any_byte(void)
{
    return (uint8_t)Frama_C_unsigned_char_interval(0, 255);
}

static uint32_t any_word(void)
{
    return Frama_C_unsigned_int_interval(0, 0xFFFFFFFFu);
}

static void headers(void)
{
    ringlet_header header;
    uint32_t ident;
    ringlet_result result = ringlet_header_unpack(any_word(), &header);
    if (result == RINGLET_OK) {
        result = ringlet_header_pack(&header, &ident);
        /*@ assert result == RINGLET_OK; */
    }
    Frama_C_make_unknown((char *)&header, sizeof header);
    if (ringlet_header_pack(&header, &ident) == RINGLET_OK) {
        /*@ assert ident <= RINGLET_IDENT_MAX; */
    }
}

/* One kind and one length of body: unpack, and pack what came out, so every field must have been set. */
static void body(uint32_t kind, uint8_t size)
{
    ringlet_frame in;
    ringlet_frame out;
    ringlet_message message;
    uint8_t i;
    ringlet_result result;
    in.ident = kind << RINGLET_SHIFT_KIND;
    in.size = size;
    for (i = 0; i < size && i < RINGLET_BODY_MAX; i++) {
        in.body[i] = any_byte();
    }
    result = ringlet_unpack(&in, &message);
    if (result == RINGLET_OK) {
        result = ringlet_pack(&message, &out);
        /*@ assert out.size <= RINGLET_BODY_MAX; */
    }
}

static void bodies(void)
{
    unsigned row;
    unsigned size;
    /*@ loop unroll 256; */
    for (row = 0; row < RINGLET_KIND_ROWS; row++) {
        /*@ loop unroll 10; */
        for (size = 0; size <= RINGLET_BODY_MAX + 1u; size++) {
            body(ringlet_kinds[row].code, (uint8_t)size);
        }
    }
}

/* Any message whatever, fields out of range included. */
static void messages(void)
{
    ringlet_message message;
    ringlet_frame frame;
    Frama_C_make_unknown((char *)&message, sizeof message);
    message.ident = any_word();
    ringlet_pack(&message, &frame);
    Frama_C_make_unknown((char *)&frame, sizeof frame);
    frame.ident = any_word();
    frame.size = any_byte();
    ringlet_unpack(&frame, &message);
}

static void framing(void)
{
    uint8_t count;
    uint8_t line[RINGLET_FRAME_MAX];
    ringlet_frame frame;
    unsigned size;
    Frama_C_make_unknown((char *)&frame, sizeof frame);
    frame.ident = any_word();
    frame.size = any_byte();
    if (ringlet_frame_encode(&frame, line, &count) == RINGLET_OK) {
        /*@ assert count <= RINGLET_FRAME_MAX; */
    }
    /*@ loop unroll 16; */
    for (size = 0; size <= RINGLET_PAYLOAD_MAX; size++) {
        uint8_t data[RINGLET_PAYLOAD_MAX];
        uint8_t coded[RINGLET_PAYLOAD_MAX + 1u];
        Frama_C_make_unknown((char *)data, size);
        ringlet_crc(any_word() & 0xFFFFu, data, size);
        ringlet_cobs_encode(data, (uint8_t)size, coded);
        count = (uint8_t)(size + 1u);
        ringlet_cobs_decode(coded, &count);
        Frama_C_make_unknown((char *)coded, size + 1u);
        count = (uint8_t)(size + 1u);
        ringlet_cobs_decode(coded, &count);
    }
}

/* One byte to a decoder that holds `used` bytes. */
static void feed(uint8_t used, uint8_t byte)
{
    ringlet_decoder decoder;
    ringlet_frame frame;
    decoder.used = used;
    decoder.skip = (uint8_t)Frama_C_unsigned_char_interval(0, 1);
    Frama_C_make_unknown((char *)decoder.data, sizeof decoder.data);
    if (ringlet_decoder_feed(&decoder, byte, &frame) == RINGLET_OK) {
        /*@ assert 1 <= frame.size <= RINGLET_BODY_MAX; */
        /*@ assert frame.ident <= RINGLET_IDENT_MAX; */
    }
    /*@ assert decoder.used <= RINGLET_FRAME_MAX - 1u && decoder.skip <= 1u; */
}

/* Every state the decoder can be in. That it starts in one and stays in one covers every stream of bytes. */
static void decoding(void)
{
    ringlet_decoder decoder;
    unsigned used;
    ringlet_decoder_start(&decoder);
    /*@ assert decoder.used <= RINGLET_FRAME_MAX - 1u && decoder.skip <= 1u; */
    /*@ loop unroll 20; */
    for (used = 0; used <= RINGLET_FRAME_MAX - 1u; used++) {
        feed((uint8_t)used, 0u);
        feed((uint8_t)used, (uint8_t)Frama_C_unsigned_char_interval(1, 255));
    }
}

static void tables(void)
{
    const ringlet_kind_row *kind = ringlet_kind_find(any_byte());
    const ringlet_param_row *param = ringlet_param_find(any_byte());
    const ringlet_fault_row *fault = ringlet_fault_find(any_byte());
    const ringlet_transition_row *transition = ringlet_transition_find(any_byte(), any_byte());
    if (kind != NULL && param != NULL && fault != NULL && transition != NULL) {
        /*@ assert kind->size <= RINGLET_BODY_MAX; */
    }
}

int main(void)
{
    headers();
    bodies();
    messages();
    framing();
    decoding();
    tables();
    return 0;
}
