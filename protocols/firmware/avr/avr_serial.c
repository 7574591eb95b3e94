/* The serial line: 8 data bits, no parity, one stop bit, double speed. */
#include "avr_port.h"

#ifndef BAUD
#define BAUD 115200
#endif

/* ATmega328P data sheet, baud-rate table at 16 MHz and double speed: 115200 gives 16 (+2.1 %), 500000 gives 3 and 1000000
 * gives 1 (0.0 %). */
#define UBRR_VALUE ((F_CPU / 8ul + (BAUD) / 2ul) / (BAUD) - 1ul)

#if defined(USART0_RX_vect)
#define RECEIVED_vect USART0_RX_vect
#define EMPTY_vect USART0_UDRE_vect
#else
#define RECEIVED_vect USART_RX_vect
#define EMPTY_vect USART_UDRE_vect
#endif

void avr_serial_begin(void)
{
    UCSR0A = 1u << U2X0;
    UBRR0 = UBRR_VALUE;
    UCSR0C = 1u << UCSZ01 | 1u << UCSZ00;
    UCSR0B = 1u << RXEN0 | 1u << TXEN0;
}

ISR(RECEIVED_vect)
{
    uint8_t status = UCSR0A; /* read before the byte: it says whether a byte was lost before it */
    uint8_t byte = UDR0;

    if (status & (1u << DOR0)) {
        bb_overrun(&avr_board);
    }
    bb_received(&avr_board, byte);
}

ISR(EMPTY_vect)
{
    if (bb_has_byte(&avr_board)) {
        UDR0 = bb_next_byte(&avr_board);
        UCSR0A = 1u << U2X0 | 1u << TXC0; /* the line is no longer idle; TXC0 is cleared after the write, see hal_send_idle */
    } else {
        UCSR0B &= (uint8_t)~(1u << UDRIE0);
    }
}

void hal_send(bb_board *b)
{
    (void)b;
    UCSR0B |= 1u << UDRIE0;
}

bool hal_send_idle(bb_board *b)
{
    return !bb_has_byte(b) && (UCSR0A & (1u << TXC0));
}
