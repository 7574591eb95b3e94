#include "avr_port.h"

int main(void)
{
    avr_begin();
    for (;;) {
        avr_turn();
    }
}
