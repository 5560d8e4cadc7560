#include "shim.h"

#include <setjmp.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <jpeglib.h>

struct failure {
	struct jpeg_error_mgr base;
	jmp_buf back;
	char text[JMSG_LENGTH_MAX];
};

static void fail(j_common_ptr cinfo)
{
	struct failure *f = (struct failure *)cinfo->err;
	f->base.format_message(cinfo, f->text);
	longjmp(f->back, 1);
}

// Warnings of damaged data are for the caller to see in the picture.
static void keep_quiet(j_common_ptr cinfo, int level)
{
	(void)cinfo;
	(void)level;
}

// Prepares for a setjmp to f->back and read_header after it.
static void prepare(struct jpeg_decompress_struct *d, struct failure *f)
{
	memset(d, 0, sizeof(*d)); // so that it can be destroyed before it is created
	d->err = jpeg_std_error(&f->base);
	f->base.error_exit = fail;
	f->base.emit_message = keep_quiet;
	strcpy(f->text, "damaged");
}

static void read_header(struct jpeg_decompress_struct *d, const unsigned char *data, size_t size)
{
	jpeg_create_decompress(d);
	jpeg_mem_src(d, data, size);
	jpeg_read_header(d, TRUE);
}

static char *give_up(struct jpeg_decompress_struct *d, const char *text)
{
	char *copy = strdup(text);
	jpeg_destroy_decompress(d);
	return copy;
}

// Where the machine has wider vectors, a second version of a loop is taken for them.
#if defined(__x86_64__) && defined(__GLIBC__) && !defined(__clang__)
#define WIDE __attribute__((target_clones("avx2", "default")))
#else
#define WIDE
#endif

// The sums over 8 x 8 pixels of one component, from the rows of one band.
// cell_w x cell_h samples of it cover 8 x 8 pixels.
WIDE static void add_cells(JSAMPARRAY rows, int cell_w, int cell_h, int cells, uint16_t *column, uint8_t *mean)
{
	int width = cells * cell_w;
	memset(column, 0, sizeof(*column) * (size_t)width);
	for (int y = 0; y < cell_h; y++) {
		const JSAMPLE *row = rows[y];
		for (int x = 0; x < width; x++) column[x] += row[x];
	}
	int area = cell_w * cell_h;
	for (int i = 0; i < cells; i++) {
		int sum = area / 2;
		for (int x = 0; x < cell_w; x++) sum += column[i * cell_w + x];
		mean[i] = (uint8_t)(sum / area);
	}
}

static uint8_t clamped(int v) { return (uint8_t)(v < 0 ? 0 : v > 255 ? 255 : v); }

// Rec. ITU-T T.871 (JFIF): luma and chroma to blue, green, red.
static void to_colour(const uint8_t *y, const uint8_t *cb, const uint8_t *cr, int n, unsigned char *bgr)
{
	for (int i = 0; i < n; i++) {
		int l = (y[i] << 16) + 0x8000, b = cb[i] - 128, r = cr[i] - 128;
		bgr[3 * i] = clamped((l + 116130 * b) >> 16);
		bgr[3 * i + 1] = clamped((l - 22554 * b - 46802 * r) >> 16);
		bgr[3 * i + 2] = clamped((l + 91881 * r) >> 16);
	}
}

char *jpeg_chroma_of(const unsigned char *data, size_t size, struct chroma_size *out)
{
	struct jpeg_decompress_struct d;
	struct failure f;
	prepare(&d, &f);
	if (setjmp(f.back)) return give_up(&d, f.text);
	read_header(&d, data, size);
	memset(out, 0, sizeof(*out));
	if (d.num_components == 3 && d.jpeg_color_space == JCS_YCbCr) {
		const jpeg_component_info *y = d.comp_info, *b = y + 1, *r = y + 2;
		int whole = y->h_samp_factor % b->h_samp_factor == 0 && y->v_samp_factor % b->v_samp_factor == 0;
		if (whole && b->h_samp_factor == r->h_samp_factor && b->v_samp_factor == r->v_samp_factor) {
			int band = 8 * d.max_v_samp_factor;
			out->across = y->h_samp_factor / b->h_samp_factor;
			out->down = y->v_samp_factor / b->v_samp_factor;
			out->stride = 8 * (int)b->width_in_blocks;
			out->rows = 8 * b->v_samp_factor * (((int)d.image_height + band - 1) / band);
		}
	}
	jpeg_destroy_decompress(&d);
	return NULL;
}

char *jpeg_luma_and_colour(const unsigned char *data, size_t size, int width, int height,
	unsigned char *grey, unsigned char *small, unsigned char *chroma, size_t room)
{
	struct jpeg_decompress_struct d;
	struct failure f;
	prepare(&d, &f);
	if (setjmp(f.back)) return give_up(&d, f.text);
	read_header(&d, data, size);
	int parts = d.num_components;
	int known = (parts == 1 && d.jpeg_color_space == JCS_GRAYSCALE) ||
		(parts == 3 && d.jpeg_color_space == JCS_YCbCr);
	if (d.image_width != (JDIMENSION)width || d.image_height != (JDIMENSION)height)
		return give_up(&d, "not of the size its header says");
	d.raw_data_out = TRUE;
	d.out_color_space = d.jpeg_color_space;
	if (known) jpeg_start_decompress(&d); // sets the largest sampling factors
	int cell_w[3], cell_h[3];
	for (int c = 0; known && c < parts; c++) {
		const jpeg_component_info *p = &d.comp_info[c];
		cell_w[c] = 8 * p->h_samp_factor / d.max_h_samp_factor;
		cell_h[c] = 8 * p->v_samp_factor / d.max_v_samp_factor;
		known = cell_w[c] * d.max_h_samp_factor == 8 * p->h_samp_factor &&
			cell_h[c] * d.max_v_samp_factor == 8 * p->v_samp_factor && (c > 0 || (cell_w[c] == 8 && cell_h[c] == 8));
	}
	if (!known) return give_up(&d, "");

	// libjpeg's pool frees all of this with the decoder.
	int band = 8 * d.max_v_samp_factor, cells = (width + 7) / 8;
	JSAMPARRAY rows[3] = {NULL, NULL, NULL};
	size_t plane = room / 2;
	if (room > 0 && parts != 3) return give_up(&d, "no room for its chroma");
	for (int c = 1; c < parts && room > 0; c++) {
		const jpeg_component_info *p = &d.comp_info[c];
		size_t bands = ((size_t)height + (size_t)band - 1) / (size_t)band;
		if (plane != bands * 8 * (size_t)p->v_samp_factor * 8 * p->width_in_blocks) return give_up(&d, "no room for its chroma");
	}
	for (int c = 0; c < parts; c++) {
		const jpeg_component_info *p = &d.comp_info[c];
		rows[c] = d.mem->alloc_sarray((j_common_ptr)&d, JPOOL_IMAGE, p->width_in_blocks * 8, (JDIMENSION)(8 * p->v_samp_factor));
	}
	JSAMPROW luma[8 * MAX_SAMP_FACTOR], spare[8 * MAX_SAMP_FACTOR];
	memcpy(spare, rows[0], sizeof(spare[0]) * (size_t)band);
	uint16_t *column = d.mem->alloc_large((j_common_ptr)&d, JPOOL_IMAGE, sizeof(*column) * (size_t)cells * 8);
	uint8_t *mean = d.mem->alloc_large((j_common_ptr)&d, JPOOL_IMAGE, (size_t)cells * 3);
	memset(mean, 128, (size_t)cells * 3);

	rows[0] = luma;
	for (int y0 = 0; y0 < height; y0 += band) {
		for (int y = 0; y < band; y++) {
			// Rows are decoded in whole blocks: in place where that fits.
			int fits = width % 8 == 0 && y0 + y < height;
			luma[y] = fits ? grey + (size_t)(y0 + y) * (size_t)width : spare[y];
		}
		for (int c = 1; c < parts && room > 0; c++) {
			int n = 8 * d.comp_info[c].v_samp_factor;
			size_t stride = 8 * (size_t)d.comp_info[c].width_in_blocks;
			for (int y = 0; y < n; y++)
				rows[c][y] = chroma + (size_t)(c - 1) * plane + ((size_t)(y0 / band) * (size_t)n + (size_t)y) * stride;
		}
		jpeg_read_raw_data(&d, rows, (JDIMENSION)band);
		for (int y = 0; y < band && y0 + y < height; y++)
			if (luma[y] == spare[y]) memcpy(grey + (size_t)(y0 + y) * (size_t)width, spare[y], (size_t)width);
		for (int k = 0; k < band / 8 && y0 + 8 * k < height; k++) {
			for (int c = 0; c < parts; c++)
				add_cells(rows[c] + k * cell_h[c], cell_w[c], cell_h[c], cells, column, mean + c * cells);
			to_colour(mean, mean + cells, mean + 2 * cells, cells, small + 3 * (size_t)cells * (size_t)(y0 / 8 + k));
		}
	}
	jpeg_finish_decompress(&d);
	jpeg_destroy_decompress(&d);
	return NULL;
}

// All sums are in sixteenths of a grey level. A product of a value shifted to 15 bits
// and a weight in 8192ths, without its lower 16 bits, is one such share: SIMD
// instructions give it at once.
static int16_t share(int shifted, int weight) { return (int16_t)((shifted * weight) >> 16); }

// The chroma's share in a row of pixels, at the chroma's width: three parts of the
// near row of samples and one of the far one, each 128 without colour.
WIDE static void chroma_shares(const uint8_t *cb, const uint8_t *cr, const uint8_t *far_cb, const uint8_t *far_cr, int n, int16_t wb, int16_t wr, int16_t *out)
{
	for (int i = 0; i < n; i++) {
		int16_t b = (int16_t)((3 * cb[i] + far_cb[i] - 512) << 5), r = (int16_t)((3 * cr[i] + far_cr[i] - 512) << 5);
		out[i] = (int16_t)(share(b, wb) + share(r, wr));
	}
}

// Doubles a row of n shares: the samples lie between the pixels.
WIDE static void widen(const int16_t *in, int n, int16_t *out)
{
	out[0] = in[0];
	for (int i = 0; i + 1 < n; i++) {
		out[2 * i + 1] = (int16_t)((3 * in[i] + in[i + 1]) >> 2);
		out[2 * i + 2] = (int16_t)((in[i] + 3 * in[i + 1]) >> 2);
	}
	out[2 * n - 1] = in[n - 1];
}

WIDE static void add_luma(const uint8_t *luma, const int16_t *shares, int n, int16_t weight, int16_t middle, unsigned char *out)
{
	for (int x = 0; x < n; x++) {
		int16_t v = (int16_t)((share((int16_t)(luma[x] << 7), weight) + shares[x] + middle) >> 4);
		out[x] = (unsigned char)(v < 0 ? 0 : v > 255 ? 255 : v);
	}
}

int jpeg_projected(const unsigned char *luma, int width, int height, const unsigned char *chroma, struct chroma_size c,
	const short weights[4], unsigned char *out)
{
	int across = c.across, down = c.down;
	size_t stride = (size_t)c.stride, plane = stride * (size_t)c.rows;
	int n = (width + across - 1) / across, rows = (height + down - 1) / down;
	int16_t *narrow = malloc(sizeof(*narrow) * ((size_t)n + (size_t)width + 1));
	if (narrow == NULL) return 0;
	int16_t *wide = across == 1 ? narrow : narrow + n;
	for (int y = 0; y < height; y++) {
		int near = y / down, far = near;
		if (down == 2) far = y % 2 == 0 ? near - 1 : near + 1;
		if (far < 0 || far >= rows) far = near;
		const uint8_t *cb = chroma + (size_t)near * stride, *far_cb = chroma + (size_t)far * stride;
		chroma_shares(cb, cb + plane, far_cb, far_cb + plane, n, weights[1], weights[2], narrow);
		if (across == 2) widen(narrow, n, wide);
		size_t first = (size_t)y * (size_t)width;
		add_luma(luma + first, wide, width, weights[0], weights[3], out + first);
	}
	free(narrow);
	return 1;
}
