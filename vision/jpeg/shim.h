// C face of what the measurement wants of libjpeg.
#ifndef BELTEND_JPEG_SHIM_H
#define BELTEND_JPEG_SHIM_H

#include <stddef.h>

// Both return NULL, or an error text for the caller to free; an empty text
// stands for a JPEG whose colours are of another kind. Damaged data is filled
// with grey, as libjpeg does.

// Luma into width * height bytes, and mean blue, green, red of every 8 x 8
// pixels into 3 bytes each, ceil(width/8) to a row.
char *jpeg_luma_and_colour(const unsigned char *data, size_t size, int width, int height,
	unsigned char *grey, unsigned char *small);

// For each of n tables of 3 * 256, the sum of table[0][blue], table[1][green] and
// table[2][red], in 256ths of a grey level from 128, into width * height bytes, one
// picture after the other.
char *jpeg_projected(const unsigned char *data, size_t size, int width, int height,
	int n, const int *tables, unsigned char *grey);

#endif
