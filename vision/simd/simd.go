// Package simd holds the innermost loops of edge finding, over pixels and samples,
// in C: a C compiler turns them into vector instructions, Go's does not, and they
// are a fifth of a measurement's time. They keep nothing and check sizes before they
// start; a size that does not fit panics, as an index out of range does.
package simd

/*
#cgo CFLAGS: -O3 -Wall
#cgo LDFLAGS: -lm
#include "simd.h"
*/
import "C"

import (
	"runtime"
	"slices"
	"unsafe"
)

func bytes(b []byte) *C.uint8_t   { return (*C.uint8_t)(unsafe.SliceData(b)) }
func floats(v []float32) *C.float { return (*C.float)(unsafe.SliceData(v)) }

// Texture fills sums, blocks to a row, with the sum of the absolute differences
// between pixels two apart, of 16 pairs in every block of 8 x 8 pixels. A block at
// the right or lower border that does not hold them all is left as it is.
func Texture(grey []byte, width, height, blocks int, sums []uint16) {
	_ = grey[:width*height]
	_ = sums[:(height+7)/8*blocks]
	if width > 8*blocks {
		panic("simd: too few blocks for the picture")
	}
	C.simd_texture(bytes(grey), C.int(width), C.int(height), C.int(blocks), (*C.uint16_t)(unsafe.SliceData(sums)))
}

// A Curve runs through a picture in equal steps: X and Y of its first place, DX and DY
// to the next and by how much that changes from step to step, all in 2^-32 px.
type Curve struct{ X, Y, DX, DY, DDX, DDY int64 }

// AddCurves adds the grey levels along curves to row, interpolated between pixels, and
// their squares to squares where that is not empty. The caller has seen to it that all
// places lie in the picture and have a pixel to the right and one below.
func AddCurves(grey []byte, width int, curves []Curve, row, squares []float32) {
	if len(squares) > 0 {
		_ = squares[:len(row)]
	}
	C.simd_curves(bytes(grey), C.int(width), (*C.struct_simd_curve)(unsafe.Pointer(unsafe.SliceData(curves))), C.int(len(curves)), floats(row), floats(squares), C.int(len(row)))
}

// Map is a map of looks, Width places to a row: four channels to a place, how strange
// each look is, and whether there is one.
type Map struct {
	Width, Height int
	Looks         [][4]float32
	Strange       []float32
	Known         []bool
}

// with calls f with the map as C has it, its memory held in place meanwhile.
func (m Map) with(f func(*C.struct_simd_map)) {
	n := m.Width * m.Height
	_, _, _ = m.Looks[:n], m.Strange[:n], m.Known[:n]
	var pin runtime.Pinner
	defer pin.Unpin()
	pin.Pin(unsafe.SliceData(m.Looks))
	pin.Pin(unsafe.SliceData(m.Strange))
	pin.Pin(unsafe.SliceData(m.Known))
	f(&C.struct_simd_map{
		looks:   (*C.float)(unsafe.Pointer(unsafe.SliceData(m.Looks))),
		strange: floats(m.Strange),
		known:   (*C.uint8_t)(unsafe.Pointer(unsafe.SliceData(m.Known))),
		width:   C.int(m.Width), height: C.int(m.Height),
	})
}

// Votes adds to votes, one for every direction of sine and cosine and 2 diagonal
// distances, what the steps at the places say of lines: a Hough transform with each
// place's own gradient direction. The gradient is that between reach places to both
// sides, which the map has. A step votes if the square of its size is least or more; by
// its size in units of noise, and by how strange both its sides look: one of the belt
// and something else counts, one between two strange ones counts little.
func (m Map) Votes(places []int32, reach int, least, noise [4]float32, sine, cosine []float64, diagonal int, votes []float32) {
	_ = votes[:2*diagonal*len(sine)]
	_ = cosine[:len(sine)]
	for _, k := range places {
		_, _ = m.Looks[int(k)-reach*m.Width], m.Looks[int(k)+reach*m.Width]
	}
	m.with(func(c *C.struct_simd_map) {
		C.simd_votes(c, (*C.int32_t)(unsafe.SliceData(places)), C.int(len(places)), C.int(reach), floats(least[:]), floats(noise[:]),
			(*C.double)(unsafe.SliceData(sine)), (*C.double)(unsafe.SliceData(cosine)), C.int(len(sine)), C.int(diagonal), floats(votes))
	})
}

// Line says where steps across a line are looked for, in places of the map. Tries places
// are tried across each place of it, at the offsets First, First + Step and so on:
// whether the look changes between Apart/2 ways before and after. X, Y is the outer side
// of the first try, Along and Across are the ways to the next place and the next try.
type Line struct {
	X, Y                             float64
	AlongX, AlongY, AcrossX, AcrossY float64
	First, Step                      float32
	Tries, Apart                     int
}

// Steps finds the largest step across the line at each of its places, and its offset:
// its size counts as in Votes, up to 6 units of noise a channel, less bias for each unit
// of offset. 0 where there is none.
func (m Map) Steps(l Line, noise [4]float32, bias float32, size, offset []float32) {
	_ = offset[:len(size)]
	if l.Tries < 1 || l.Apart < 0 || l.Tries+l.Apart > 10000 {
		panic("simd: that many tries across a line")
	}
	line := C.struct_simd_line{
		x: C.double(l.X), y: C.double(l.Y),
		along_x: C.double(l.AlongX), along_y: C.double(l.AlongY), across_x: C.double(l.AcrossX), across_y: C.double(l.AcrossY),
		first: C.float(l.First), step: C.float(l.Step),
		count: C.int(len(size)), tries: C.int(l.Tries), apart: C.int(l.Apart),
	}
	m.with(func(c *C.struct_simd_map) {
		C.simd_steps(c, &line, floats(noise[:]), C.float(bias), floats(size), floats(offset))
	})
}

// Slopes filters v by an odd kernel, given from its first place on, into out, but for
// the ends, where the kernel does not fit.
func Slopes(out, v, kernel []float32) {
	_ = out[:len(v)]
	C.simd_slopes(floats(v), C.int(len(v)), floats(kernel), C.int(len(kernel)), floats(out))
}

// Ridges fills out with how much brighter or darker each place of a column is than the
// places before it and those after it, by the lesser difference, 0 where it lies between.
// A place is the mean of 2 half + 1, each side that of side places beyond a gap. A
// place whose middle or an end of whose sides is not known is no ridge. By how much a
// place differs from its two sides on average is appended to samples, for one place in
// every, from first on. sums is room for one number more than there are places.
func Ridges(grey []int16, known []bool, half, gap, side, first, every int, sums []int32, out, samples []float32) []float32 {
	rows := len(grey)
	_, _, _ = known[:rows], sums[:rows+1], out[:rows]
	n := rows - 2*(half+gap+side)
	if half < 0 || gap < 0 || side < 1 || first < 0 || every < 1 || n < 1 {
		return samples
	}
	samples = slices.Grow(samples, n/every+1)
	more := samples[len(samples):cap(samples)]
	count := C.simd_ridges((*C.int16_t)(unsafe.SliceData(grey)), (*C.uint8_t)(unsafe.Pointer(unsafe.SliceData(known))), C.int(rows),
		C.int(half), C.int(gap), C.int(side), (*C.int32_t)(unsafe.SliceData(sums)), floats(out), C.int(first), C.int(every), floats(more))
	return samples[:len(samples)+int(count)]
}

// KeepLarger puts other times scale into v wherever that is farther from 0.
func KeepLarger(v, other []float32, scale float32) {
	_ = other[:len(v)]
	C.simd_keep_larger(floats(v), floats(other), C.int(len(v)), C.float(scale))
}

// Strangeness fills out with how far each look is from the belt's: the weighted length
// of the differences in units of spread, each most at the most.
func Strangeness(looks [][4]float32, belt, spread, weight [4]float32, most float32, out []float32) {
	_ = out[:len(looks)]
	C.simd_strangeness((*C.float)(unsafe.Pointer(unsafe.SliceData(looks))), C.int(len(looks)), floats(belt[:]), floats(spread[:]), floats(weight[:]), C.float(most), floats(out))
}
