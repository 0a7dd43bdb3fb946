/* board_yours.c: stubs to fill in for your microcontroller. As they stand, the bridge stays open and the encoder counts as
 * broken, so that a half-filled file cannot move a motor. Written for the Ringlet project; 0BSD: use it as if it were
 * yours. */
#include "board.h"

void board_start(void) {}

void board_interrupts_on(void) {}

void board_watchdog(void) {}

void board_sleep(void) {}

uint64_t board_unique_id(void)
{
    return 0x02524E470001u; /* give each board its own */
}

uint16_t board_encoder(void)
{
    return 0u; /* the counter of a timer in quadrature mode */
}

uint8_t board_encoder_ok(void)
{
    return 0u; /* 1 only when both lines, or the index, say that the encoder lives */
}

int32_t board_current_ma(void)
{
    return 0;
}

int32_t board_housing(void)
{
    return 400; /* 40 degC */
}

int32_t board_supply_mv(void)
{
    return 12000;
}

void board_bridge_open(void) {}

void board_bridge_drive(int32_t share)
{
    (void)share;
}

void board_uart_wake(void) {}

uint16_t board_page_read(uint8_t page, uint8_t *data, uint16_t most)
{
    (void)page;
    (void)data;
    (void)most;
    return 0u; /* as an erased page */
}

uint8_t board_page_write(uint8_t page, const uint8_t *data, uint16_t count)
{
    (void)page;
    (void)data;
    (void)count;
    return 0u; /* it cannot be written: `save` is refused */
}
