// C face of what the measurement wants of libjpeg.
#ifndef BELTEND_JPEG_SHIM_H
#define BELTEND_JPEG_SHIM_H

#include <stddef.h>

// The first two return NULL, or an error text for the caller to free; an empty text
// stands for a JPEG whose colours are of another kind. Damaged data is filled with
// grey, as libjpeg does.

// The samples of blue and of red chroma: how many pixels each covers, across and down,
// how many lie in a row and in how many rows, with those that fill the last blocks.
// All 0 for a picture without, and where the two differ or cover no whole pixels.
struct chroma_size {
	int across, down, stride, rows;
};

char *jpeg_chroma_of(const unsigned char *data, size_t size, struct chroma_size *out);

// Luma into width * height bytes, and mean blue, green, red of every 8 x 8
// pixels into 3 bytes each, ceil(width/8) to a row. Where room is not 0, chroma gets
// the samples of blue and red chroma, one after the other.
char *jpeg_luma_and_colour(const unsigned char *data, size_t size, int width, int height,
	unsigned char *grey, unsigned char *small, unsigned char *chroma, size_t room);

// The sum of each pixel's luma and blue and red chroma by the first three weights, in
// 8192ths, from the fourth, in sixteenths of a grey level: into width * height bytes.
// The chroma, whose samples cover 1 or 2 pixels, is interpolated between their middles.
// 0 when there is no memory.
int jpeg_projected(const unsigned char *luma, int width, int height, const unsigned char *chroma, struct chroma_size c,
	const short weights[4], unsigned char *out);

#endif
