#include "simd.h"

#include <math.h>
#include <stddef.h>
#include <string.h>

// Where the machine has wider vectors, a second version of a loop is taken for them.
// Both give the same: AVX2 alone has no fused multiply-add.
#if defined(__x86_64__) && defined(__GLIBC__) && !defined(__clang__)
#define WIDE __attribute__((target_clones("avx2", "default")))
#else
#define WIDE
#endif

// |a - b| of every sample.
WIDE static void differences(const uint8_t *restrict a, const uint8_t *restrict b, int n, uint8_t *restrict out)
{
	for (int i = 0; i < n; i++) out[i] = (uint8_t)(a[i] > b[i] ? a[i] - b[i] : b[i] - a[i]);
}

void simd_texture(const uint8_t *grey, int width, int height, int blocks, uint16_t *sums)
{
	// the blocks of 8 with a pixel beside them, a piece of a row at a time
	enum { PIECE = 128 };
	uint8_t along[8 * PIECE], across[8 * PIECE];
	int whole = (width - 1) / 8;
	for (int j = 0; 8 * j + 7 < height; j++) {
		for (int i0 = 0; i0 < whole; i0 += PIECE) {
			int n = whole - i0 < PIECE ? whole - i0 : PIECE;
			uint64_t sum[PIECE] = {0};
			for (int y = 8 * j + 1; y < 8 * j + 8; y += 4) {
				const uint8_t *row = grey + (size_t)y * (size_t)width + 8 * i0;
				differences(row, row + 2, 8 * n - 1, along);
				differences(row, row + 2 * (size_t)width, 8 * n - 1, across);
				for (int i = 0; i < n; i++) {
					// every other pixel, as four sums of 16 bits
					const uint64_t even = 0x00ff00ff00ff00ff;
					uint64_t a, b;
					memcpy(&a, along + 8 * i, 8);
					memcpy(&b, across + 8 * i, 8);
					sum[i] += (a & even) + (b & even);
				}
			}
			uint16_t *out = sums + (size_t)j * (size_t)blocks + i0;
			for (int i = 0; i < n; i++) out[i] = (uint16_t)(sum[i] * 0x0001000100010001 >> 48);
		}
	}
}

void simd_curves(const uint8_t *grey, int width, const struct simd_curve *curves, int count, float *row, float *squares, int n)
{
	for (const struct simd_curve *c = curves; c < curves + count; c++) {
		int64_t x = c->x, y = c->y, dx = c->dx, dy = c->dy;
		for (int j = 0; j < n; j++) {
			const uint8_t *p = grey + (y >> 32) * width + (x >> 32);
			int fx = (int)((uint32_t)x >> 21), fy = (int)((uint32_t)y >> 21); // 11 bits
			int a = (p[0] << 11) + (p[1] - p[0]) * fx;
			int b = (p[width] << 11) + (p[width + 1] - p[width]) * fx;
			float g = (float)((a << 11) + (b - a) * fy) * (1.0f / (1 << 22));
			row[j] += g;
			if (squares != NULL) squares[j] += g * g;
			x += dx, dx += c->ddx;
			y += dy, dy += c->ddy;
		}
	}
}

// What a step counts by how strange its two sides look: see Votes.
static float one_sided(float one, float other)
{
	float like = one < other ? one : other, unlike = one < other ? other : one;
	return (0.3f + (unlike < 3 ? unlike / 3 : 1)) / (1 + like * like / 4);
}

static float strange_at(const struct simd_map *m, int k, int i, int j)
{
	int q = k + j * m->width + i;
	return m->strange[q >= 0 && q < m->width * m->height && m->known[q] ? q : k];
}

void simd_votes(const struct simd_map *m, const int32_t *places, int count, int reach, const float least[4], const float noise[4],
	const double *sine, const double *cosine, int bins, int diagonal, float *votes)
{
	const double pi = 3.14159265358979323846;
	for (int n = 0; n < count; n++) {
		int k = places[n];
		const float *v = m->looks + 4 * (size_t)k;
		size_t down = 4 * (size_t)reach * (size_t)m->width, right = 4 * (size_t)reach;
		float gx[4], gy[4], square[4];
		int any = 0;
		for (int c = 0; c < 4; c++) {
			gx[c] = v[right + c] - v[c - right];
			gy[c] = v[down + c] - v[c - down];
			square[c] = gx[c] * gx[c] + gy[c] * gy[c];
			any |= square[c] >= least[c];
		}
		if (!any) continue;
		double x = k % m->width, y = k / m->width;
		for (int c = 0; c < 4; c++) {
			if (!(square[c] >= least[c])) continue;
			float size = sqrtf(square[c]), z = size / noise[c] - 1.5f;
			int i = (int)lrintf(3 * gx[c] / size), j = (int)lrintf(3 * gy[c] / size);
			float w = (z < 5 ? z : 5) * one_sided(strange_at(m, k, i, j), strange_at(m, k, -i, -j));
			int t0 = (int)lrint(atan2(gy[c], gx[c]) * bins / pi) + bins;
			for (int t = t0 - 3; t <= t0 + 3; t++) {
				int b = (t + bins) % bins;
				votes[(size_t)b * 2 * (size_t)diagonal + (size_t)(x * cosine[b] + y * sine[b] + diagonal + 0.5)] += w;
			}
		}
	}
}

void simd_steps(const struct simd_map *m, const struct simd_line *l, const float noise[4], float bias, float *size, float *offset)
{
	int all = l->tries + l->apart;
	int at[all];
	float per[4];
	for (int c = 0; c < 4; c++) per[c] = 1 / noise[c];
	for (int i = 0; i < l->count; i++) {
		double x = l->x + i * l->along_x + 0.5, y = l->y + i * l->along_y + 0.5;
		for (int k = 0; k < all; k++, x += l->across_x, y += l->across_y) {
			at[k] = -1;
			if (x >= 0 && y >= 0 && x < m->width && y < m->height) {
				int q = (int)y * m->width + (int)x;
				if (m->known[q]) at[k] = q;
			}
		}
		size[i] = offset[i] = 0;
		for (int k = 0; k < l->tries; k++) {
			int p = at[k], q = at[k + l->apart];
			if (p < 0 || q < 0) continue;
			const float *a = m->looks + 4 * (size_t)p, *b = m->looks + 4 * (size_t)q;
			float e[4];
			for (int c = 0; c < 4; c++) {
				float d = fabsf(a[c] - b[c]) * per[c];
				e[c] = d < 6 ? d : 6;
			}
			float o = l->first + k * l->step;
			float z = ((e[0] + e[1]) + (e[2] + e[3])) * one_sided(m->strange[p], m->strange[q]) - bias * fabsf(o);
			if (z > size[i]) size[i] = z, offset[i] = o;
		}
	}
}

WIDE void simd_slopes(const float *v, int n, const float *kernel, int r, float *out)
{
	enum { PIECE = 64 };
	for (int j0 = r; j0 < n - r; j0 += PIECE) {
		int m = n - r - j0 < PIECE ? n - r - j0 : PIECE;
		float sum[PIECE] = {0};
		for (int k = 0; k < r; k++) {
			const float *after = v + j0 + k + 1, *before = v + j0 - k - 1;
			float w = kernel[k];
			for (int j = 0; j < m; j++) sum[j] += w * (after[j] - before[j]);
		}
		for (int j = 0; j < m; j++) out[j0 + j] = sum[j];
	}
}

// A place, less those before and after it, from the sums up to each.
static float differences_at(const int32_t *sums, int j, int half, int gap, int side, float *after)
{
	int at = j + side + gap;
	float middle = (float)(sums[at + 2 * half + 1] - sums[at]) / (float)(2 * half + 1);
	int end = at + 2 * half + 1 + gap;
	*after = middle - (float)(sums[end + side] - sums[end]) / (float)side;
	return middle - (float)(sums[j + side] - sums[j]) / (float)side;
}

WIDE int simd_ridges(const int16_t *grey, const uint8_t *known, int rows, int half, int gap, int side, int32_t *sums, float *out,
	int first, int every, float *samples)
{
	int reach = half + gap + side, n = rows - 2 * reach, count = 0;
	sums[0] = 0;
	for (int j = 0; j < rows; j++) sums[j + 1] = sums[j] + grey[j];
	for (int j = 0; j < n; j++) {
		float b, a = differences_at(sums, j, half, gap, side, &b);
		int seen = known[j] & known[j + reach] & known[j + 2 * reach];
		float lesser = b * b < a * a ? b : a;
		out[j + reach] = a * b > 0 && seen ? lesser : 0;
	}
	for (int j = first; j < n; j += every) {
		if (!(known[j] & known[j + reach] & known[j + 2 * reach])) continue;
		float b, a = differences_at(sums, j, half, gap, side, &b);
		samples[count++] = fabsf(a + b) / 2;
	}
	return count;
}

WIDE void simd_keep_larger(float *v, const float *other, int n, float scale)
{
	for (int i = 0; i < n; i++) {
		float o = other[i] * scale;
		v[i] = o * o > v[i] * v[i] ? o : v[i];
	}
}

WIDE void simd_strangeness(const float *looks, int n, const float belt[4], const float spread[4], const float weight[4], float most, float *out)
{
	float per[4];
	for (int c = 0; c < 4; c++) per[c] = 1 / spread[c];
	for (int i = 0; i < n; i++) {
		float s[4];
		for (int c = 0; c < 4; c++) {
			float e = fabsf(looks[4 * (size_t)i + (size_t)c] - belt[c]) * per[c];
			e = e < most ? e : most;
			s[c] = weight[c] * e * e;
		}
		out[i] = sqrtf((s[0] + s[1]) + (s[2] + s[3]));
	}
}
