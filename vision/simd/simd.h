// C face of the loops over pixels and samples.
#ifndef BELTEND_SIMD_H
#define BELTEND_SIMD_H

#include <stdint.h>

void simd_texture(const uint8_t *grey, int width, int height, int blocks, uint16_t *sums);

// A curve through the picture, x and y in 2^-32 px: the first place, the first step
// and the step's change.
struct simd_curve {
	int64_t x, y, dx, dy, ddx, ddy;
};

void simd_curves(const uint8_t *grey, int width, const struct simd_curve *curves, int count, float *row, float *squares, int n);

// A map of looks, four channels to a place; how strange each look is, and whether
// there is one.
struct simd_map {
	const float *looks, *strange;
	const uint8_t *known;
	int width, height;
};

void simd_votes(const struct simd_map *m, const int32_t *places, int count, int reach, const float least[4], const float noise[4],
	const double *sine, const double *cosine, int bins, int diagonal, float *votes);

// Tries across a line of a map: its first place, the ways to the next along it and
// to the next across it, in places of the map; the tries' offsets: the first, and from
// one to the next.
struct simd_line {
	double x, y, along_x, along_y, across_x, across_y;
	float first, step;
	int count, tries, apart;
};

void simd_steps(const struct simd_map *m, const struct simd_line *l, const float noise[4], float bias, float *size, float *offset);

void simd_slopes(const float *v, int n, const float *kernel, int r, float *out);

// See Ridges. sums holds rows + 1 numbers; what it returns is how many samples it took.
int simd_ridges(const int16_t *grey, const uint8_t *known, int rows, int half, int gap, int side, int32_t *sums, float *out,
	int first, int every, float *samples);

void simd_keep_larger(float *v, const float *other, int n, float scale);

void simd_strangeness(const float *looks, int n, const float belt[4], const float spread[4], const float weight[4], float most, float *out);

#endif
