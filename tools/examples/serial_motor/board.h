/* board.h: what the example asks of your microcontroller. Fill these in, in board_yours.c; motor.c stays as it is.
 *
 * Nothing here waits. The three functions at the end are motor.c's: your interrupts call them.
 * Written for the Ringlet project; 0BSD: use it as if it were yours.
 */
#ifndef BOARD_H
#define BOARD_H

#include <stdint.h>

/* Once, before everything else: clocks, pins, bridge open, encoder counter, analogue inputs, UART (115200 baud, 8 bits,
 * no parity, 1 stop bit). The watchdog of the chip too: 20 ms or less, and its reset must leave the bridge open. */
void board_start(void);

/* Then: the 1 kHz timer whose interrupt calls motor_tick, and the UART's interrupts, at a higher priority. */
void board_interrupts_on(void);

/* Feed the watchdog; it is called only while motor_tick runs a thousand times a second. */
void board_watchdog(void);

/* Sleep until the next interrupt, or do nothing. */
void board_sleep(void);

/* 48 bits that no other board has: the chip's own number, folded, or one that you write into each board. */
uint64_t board_unique_id(void);

/* The encoder's counter, which may overflow, and whether its signal is plausible. 0 keeps the motor off. */
uint16_t board_encoder(void);
uint8_t board_encoder_ok(void);

int32_t board_current_ma(void); /* of the motor, positive where it turns the counts up */
int32_t board_housing(void); /* the motor's temperature in 0.1 degC; without a sensor: the hottest that it can be around */
int32_t board_supply_mv(void);

/* Open the bridge: no current, the ring turns by hand. In the same millisecond, whatever else goes on. */
void board_bridge_open(void);

/* Share of the supply, 2^-15, -32768 to 32768; positive must turn the encoder's counts up. */
void board_bridge_drive(int32_t share);

/* There is something to send: switch the UART's transmit interrupt on. That calls motor_uart_next for each byte, and is
 * switched off when there is none. */
void board_uart_wake(void);

/* Memory without power, one page each in an erase block of its own: see ringlet_board.h. A processor that stands still
 * while its flash is erased drives nobody's lens: then write only with the bridge open, or take another memory. */
uint16_t board_page_read(uint8_t page, uint8_t *data, uint16_t most);
uint8_t board_page_write(uint8_t page, const uint8_t *data, uint16_t count);

/* ---- motor.c gives you these ---------------------------------------------------------------------------------------- */

void motor_tick(void); /* from the timer's interrupt, a thousand times a second */
void motor_uart_received(uint8_t byte); /* from the UART's receive interrupt */
uint8_t motor_uart_next(uint8_t *byte); /* from the UART's transmit interrupt; 0: nothing more to send */

#endif
