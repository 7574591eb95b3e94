/* The panel board as a sketch: open this folder in the Arduino IDE, choose the board (Uno, Nano or Mega 2560) and upload.
 * What is wired where is in panel_map.h and panel_map.c. `Serial` must not be used: the firmware uses the port itself. */
extern "C" {
#include "avr_port.h"
}

void setup()
{
    TIMSK0 = 0; /* the sketch core's millisecond tick would only delay others */
    avr_begin();
}

void loop()
{
    avr_turn();
}
