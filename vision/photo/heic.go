package photo

import (
	"bytes"
	"fmt"
	"image"

	"github.com/gen2brain/heic"
)

// DecodeHEIC decodes a HEIC photo: to *image.YCbCr as phones store it, to
// *image.Gray without colour, otherwise to *image.NRGBA or *image.RGBA. The
// file's turns are applied, so the picture has the size Inspect gives and is
// upright. Ten-bit pictures come out with eight.
//
// The decoder (libheif) runs as WebAssembly inside the process: nothing it does
// can reach outside its own memory. It takes about 1.2 s and 300 MB for 12
// megapixels, most of it during the call. The limits are checked first. Build
// with the tag "nodynamic": without it the decoder prefers a libheif.so of the
// machine, if there is one, and loads it into the process.
func DecodeHEIC(data []byte, lim Limits) (image.Image, error) {
	info, err := Inspect(data, lim)
	if err != nil {
		return nil, err
	}
	if info.Kind != HEIC {
		return nil, fmt.Errorf("decoding HEIC: the photo is %s", info.Kind)
	}
	// The decoder asks for this brand first and would turn away the general
	// "mif1" that some phones write there.
	data = bytes.Clone(data)
	copy(data[8:12], "heic")
	img, err := decodeHEIC(data)
	if err != nil {
		refusal := unreadable(HEIC, "its picture cannot be decoded")
		refusal.Cause = err
		return nil, refusal
	}
	if err := lim.checkSize(img.Bounds().Dx(), img.Bounds().Dy()); err != nil {
		return nil, err
	}
	return img, nil
}

// decodeHEIC copies the pixels out of the decoder's memory, which would
// otherwise stay alive with them, and turns a panic on bytes made to confuse
// into an error.
func decodeHEIC(data []byte) (img image.Image, err error) {
	defer func() {
		if r := recover(); r != nil {
			img, err = nil, fmt.Errorf("HEIC decoder: %v", r)
		}
	}()
	img, err = heic.Decode(bytes.NewReader(data))
	if err != nil {
		return nil, fmt.Errorf("HEIC decoder: %w", err)
	}
	switch p := img.(type) {
	case *image.YCbCr:
		p.Y, p.Cb, p.Cr = bytes.Clone(p.Y), bytes.Clone(p.Cb), bytes.Clone(p.Cr)
	case *image.Gray:
		p.Pix = bytes.Clone(p.Pix)
	case *image.NRGBA:
		p.Pix = bytes.Clone(p.Pix)
	case *image.RGBA:
		p.Pix = bytes.Clone(p.Pix)
	default:
		return nil, fmt.Errorf("HEIC decoder: unexpected picture type %T", img)
	}
	return img, nil
}
