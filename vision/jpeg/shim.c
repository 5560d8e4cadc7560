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

// Prepares for a setjmp to f->back and jpeg_create_decompress after it.
static void prepare(struct jpeg_decompress_struct *d, struct failure *f)
{
	memset(d, 0, sizeof(*d)); // so that it can be destroyed before it is created
	d->err = jpeg_std_error(&f->base);
	f->base.error_exit = fail;
	f->base.emit_message = keep_quiet;
	strcpy(f->text, "damaged");
}

static char *give_up(struct jpeg_decompress_struct *d, const char *text)
{
	char *copy = strdup(text);
	jpeg_destroy_decompress(d);
	return copy;
}

// The sums over 8 x 8 pixels of one component, from the rows of one band.
// cell_w x cell_h samples of it cover 8 x 8 pixels.
static void add_cells(JSAMPARRAY rows, int cell_w, int cell_h, int cells, uint16_t *column, uint8_t *mean)
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

char *jpeg_luma_and_colour(const unsigned char *data, size_t size, int width, int height,
	unsigned char *grey, unsigned char *small)
{
	struct jpeg_decompress_struct d;
	struct failure f;
	prepare(&d, &f);
	if (setjmp(f.back)) return give_up(&d, f.text);
	jpeg_create_decompress(&d);
	jpeg_mem_src(&d, data, size);
	jpeg_read_header(&d, TRUE);
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

char *jpeg_projected(const unsigned char *data, size_t size, int width, int height,
	int n, const int *tables, unsigned char *grey)
{
	struct jpeg_decompress_struct d;
	struct failure f;
	prepare(&d, &f);
	if (setjmp(f.back)) return give_up(&d, f.text);
	jpeg_create_decompress(&d);
	jpeg_mem_src(&d, data, size);
	jpeg_read_header(&d, TRUE);
	if (d.image_width != (JDIMENSION)width || d.image_height != (JDIMENSION)height)
		return give_up(&d, "not of the size its header says");
	if (d.num_components == 4) return give_up(&d, "");
	d.out_color_space = JCS_RGB;
	jpeg_start_decompress(&d);
	JSAMPARRAY rows = d.mem->alloc_sarray((j_common_ptr)&d, JPOOL_IMAGE, (JDIMENSION)width * 3, 4);
	while (d.output_scanline < d.output_height) {
		size_t first = (size_t)d.output_scanline * (size_t)width;
		int lines = (int)jpeg_read_scanlines(&d, rows, 4);
		for (int k = 0; k < n; k++) {
			const int *blue = tables + 3 * 256 * k, *green = blue + 256, *red = blue + 512;
			unsigned char *out = grey + (size_t)k * (size_t)width * (size_t)height + first;
			for (int y = 0; y < lines; y++, out += width)
				for (int x = 0; x < width; x++) {
					const JSAMPLE *p = rows[y] + 3 * x;
					out[x] = clamped(((blue[p[2]] + green[p[1]] + red[p[0]]) >> 8) + 128);
				}
		}
	}
	jpeg_finish_decompress(&d);
	jpeg_destroy_decompress(&d);
	return NULL;
}
