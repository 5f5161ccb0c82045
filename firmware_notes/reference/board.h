/* The board: start it once, poll it for ever. */
#ifndef BOARD_H
#define BOARD_H

void board_start(void);
void board_poll(void);

#endif
