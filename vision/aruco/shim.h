// C face of OpenCV's ArUco module; no C++ exception crosses it.
#ifndef BELTEND_ARUCO_SHIM_H
#define BELTEND_ARUCO_SHIM_H

#include <stddef.h>

#ifdef __cplusplus
extern "C" {
#endif

typedef struct {
	int id;
	float corners[8]; // x, y of the four corners
} aruco_marker;

typedef struct {
	int window_min, window_max, window_step; // px
	double min_perimeter_rate;
} aruco_options;

// Every function returns NULL, or an error text for the caller to free.

// Finds the markers of one dictionary. *markers is for the caller to free; it
// is NULL when none was found.
char *aruco_detect(const unsigned char *gray, int width, int height, size_t stride,
	const char *dict, aruco_options options, aruco_marker **markers, int *count);

// Draws one marker with its border into side * side bytes.
char *aruco_draw_marker(const char *dict, int id, int side, unsigned char *out);

// Draws a ChArUco board into width * height bytes.
char *aruco_draw_board(int cols, int rows, double square, double marker, const char *dict,
	int first_id, int width, int height, int margin, unsigned char *out);

// The OpenCV release in use, for example "4.6.0"; not to be freed.
const char *aruco_opencv_version(void);

#ifdef __cplusplus
}
#endif

#endif
