// Package vision takes photo bytes to image observations: decoded pictures,
// card corners and belt edge points. All OpenCV calls of the project are here
// and in the packages below.
//
// Coordinates are those of the working picture: the stored pixels, mirrored
// back when the EXIF orientation says that the file holds a mirror image. So
// lens terms and principal point stay those of the sensor. UprightOf takes them
// to the picture as people see it.
package vision

import (
	"errors"
	"fmt"
	"image"
	"math"
	"slices"

	"gocv.io/x/gocv"

	"beltend/geometry"
	"beltend/vision/jpeg"
	"beltend/vision/photo"
)

// colourShrink is how much smaller the colour picture is than the grey one: a
// block of a JPEG.
const colourShrink = jpeg.Shrink

// Picture is a decoded photo. Close it once.
type Picture struct {
	Info photo.Info
	W, H int
	// Grey holds W*H bytes, row by row; it belongs to the picture.
	Grey []byte
	// Colour holds CW*CH pixels, blue, green, red; each covers colourShrink
	// pixels of the grey picture.
	Colour []byte
	CW, CH int

	grey, colour gocv.Mat
	samples      gocv.Mat    // of chroma
	chroma       jpeg.Chroma // as stored, of a JPEG
	data         []byte
	mirrored     bool
	spare        [][]byte // greys of released looks
}

// Open decodes a photo that photo.Inspect has let through.
func Open(data []byte, info photo.Info) (*Picture, error) {
	p := &Picture{Info: info, data: data}
	var err error
	switch info.Kind {
	case photo.HEIC:
		err = p.fromHEIC(data)
	case photo.JPEG:
		if err = p.fromJPEG(data); errors.Is(err, jpeg.ErrOther) {
			err = p.fromOpenCV(data)
		}
	default:
		err = p.fromOpenCV(data)
	}
	if err != nil {
		p.Close()
		return nil, err
	}
	if p.mirrored = info.Orientation == 2 || info.Orientation == 4 || info.Orientation == 5 || info.Orientation == 7; p.mirrored {
		gocv.Flip(p.grey, &p.grey, 1)
		gocv.Flip(p.colour, &p.colour, 1)
	}
	p.W, p.H = p.grey.Cols(), p.grey.Rows()
	p.CW, p.CH = p.colour.Cols(), p.colour.Rows()
	if p.W != info.Width || p.H != info.Height {
		p.Close()
		return nil, unreadable(fmt.Errorf("decoded %dx%d, header says %dx%d", p.W, p.H, info.Width, info.Height))
	}
	if p.Grey, err = p.grey.DataPtrUint8(); err == nil {
		p.Colour, err = p.colour.DataPtrUint8()
	}
	if err != nil {
		p.Close()
		return nil, fmt.Errorf("decoded picture: %w", err)
	}
	if info.Kind == photo.JPEG {
		if n := photo.MissingRows(p.Grey, p.W, p.H, p.W); n >= 8 {
			p.Close()
			return nil, &photo.Error{Code: photo.CodeTruncated, Message: fmt.Sprintf("The last %d rows of the photo are missing.", n), Advice: "Send the photo again from the phone, as the original file."}
		}
	}
	return p, nil
}

func unreadable(cause error) error {
	return &photo.Error{Code: photo.CodeUnreadable, Message: "The photo is damaged: its picture cannot be decoded.", Advice: "Take the photo again or send the original file.", Cause: cause}
}

// ignoreOrientation is OpenCV's IMREAD_IGNORE_ORIENTATION: pixels as stored.
const ignoreOrientation = gocv.IMReadFlag(128)

// decodeColour decodes a photo other than HEIC in colour at full size.
func decodeColour(data []byte) (gocv.Mat, error) {
	full, err := gocv.IMDecode(data, gocv.IMReadColor|ignoreOrientation)
	if err != nil || full.Empty() {
		return full, unreadable(err)
	}
	return full, nil
}

func (p *Picture) fromJPEG(data []byte) error {
	size := jpeg.Size{W: p.Info.Width, H: p.Info.Height}
	small := size.Small()
	// NewMatWithSizes does not clear what is filled anyway.
	grey := gocv.NewMatWithSizes([]int{size.H, size.W}, gocv.MatTypeCV8UC1)
	colour := gocv.NewMatWithSizes([]int{small.H, small.W}, gocv.MatTypeCV8UC3)
	p.grey, p.colour = grey, colour
	g, err1 := grey.DataPtrUint8()
	c, err2 := colour.DataPtrUint8()
	if err := errors.Join(err1, err2); err != nil {
		return fmt.Errorf("making room for a picture: %w", err)
	}
	room := func(n int) ([]byte, error) {
		p.samples = gocv.NewMatWithSizes([]int{1, n}, gocv.MatTypeCV8UC1)
		return p.samples.DataPtrUint8()
	}
	var err error
	if p.chroma, err = jpeg.Decode(data, size, g, c, room); err != nil {
		p.Close()
		if !errors.Is(err, jpeg.ErrOther) {
			err = unreadable(err)
		}
	}
	return err
}

func (p *Picture) fromOpenCV(data []byte) (err error) {
	if p.grey, err = gocv.IMDecode(data, gocv.IMReadGrayScale|ignoreOrientation); err != nil || p.grey.Empty() {
		return unreadable(err)
	}
	full, err := decodeColour(data)
	if err != nil {
		return err
	}
	defer full.Close()
	p.shrinkColour(full)
	return nil
}

func (p *Picture) shrinkColour(full gocv.Mat) {
	p.colour = gocv.NewMat()
	size := image.Pt((full.Cols()+colourShrink-1)/colourShrink, (full.Rows()+colourShrink-1)/colourShrink)
	gocv.Resize(full, &p.colour, size, 0, 0, gocv.InterpolationArea)
}

func (p *Picture) fromHEIC(data []byte) error {
	full, err := decodeHEIC(data)
	if err != nil {
		return err
	}
	defer full.Close()
	p.grey = gocv.NewMat()
	gocv.CvtColor(full, &p.grey, gocv.ColorBGRToGray)
	p.shrinkColour(full)
	return nil
}

// Close frees the pixels.
func (p *Picture) Close() {
	p.Grey, p.Colour, p.chroma, p.spare = nil, nil, jpeg.Chroma{}, nil
	for _, m := range []*gocv.Mat{&p.grey, &p.colour, &p.samples} {
		if m.Ptr() != nil {
			_ = m.Close()
			*m = gocv.Mat{}
		}
	}
}

// UprightOf takes a place in the working picture to the upright photo.
func (p *Picture) UprightOf(uv geometry.Vec2) geometry.Vec2 {
	if p.mirrored {
		uv.X = float64(p.W-1) - uv.X
	}
	return photo.UprightFromStored(uv, p.W, p.H, p.Info.Orientation)
}

// FromUpright is the inverse of UprightOf.
func (p *Picture) FromUpright(uv geometry.Vec2) geometry.Vec2 {
	uv = photo.StoredFromUpright(uv, p.W, p.H, p.Info.Orientation)
	if p.mirrored {
		uv.X = float64(p.W-1) - uv.X
	}
	return uv
}

// projected returns the picture with another grey for each weights: the sum of
// blue, green and red by them about a middle grey. A green belt on concrete can
// be as light as the concrete; the weights of their difference part them.
func (p *Picture) projected(weights ...[3]float64) ([]*Picture, error) {
	if len(weights) == 0 {
		return nil, nil
	}
	out := make([]*Picture, len(weights))
	for k := range out {
		q := *p
		if n := len(p.spare); n > 0 {
			q.Grey, p.spare = p.spare[n-1], p.spare[:n-1]
		} else {
			q.Grey = make([]byte, p.W*p.H)
		}
		out[k] = &q
	}
	if p.chroma.Known() {
		return out, p.projectChroma(out, weights)
	}
	full, err := p.fullColour()
	if err != nil {
		return nil, err
	}
	defer full.Close()
	bgr, err := full.DataPtrUint8()
	if err != nil {
		return nil, fmt.Errorf("decoded colour picture: %w", err)
	}
	if len(bgr) < 3*p.W*p.H {
		return nil, unreadable(fmt.Errorf("colour picture of %d bytes", len(bgr)))
	}
	for k, q := range out {
		var table [3][256]int32 // in 256ths of a grey level from the middle
		for c, w := range weights[k] {
			for v := range table[c] {
				table[c][v] = int32(math.Round(w * (float64(v) - 127.5) * 256))
			}
		}
		for i := range q.Grey {
			v := (table[0][bgr[3*i]]+table[1][bgr[3*i+1]]+table[2][bgr[3*i+2]]+128)>>8 + 128
			q.Grey[i] = byte(max(0, min(255, v)))
		}
	}
	return out, nil
}

// release gives back the greys of projected pictures that nothing looks at any more:
// the next take them over.
func (p *Picture) release(looks []*Picture) {
	for _, q := range looks {
		p.spare = append(p.spare, q.Grey)
		q.Grey = nil
	}
}

// projectChroma fills the greys of the projected pictures of a JPEG.
func (p *Picture) projectChroma(out []*Picture, weights [][3]float64) error {
	luma := p.Grey
	mirror := func(pixels []byte) {
		for row := range slices.Chunk(pixels, p.W) {
			slices.Reverse(row)
		}
	}
	if p.mirrored { // the chroma is as stored
		luma = slices.Clone(luma)
		mirror(luma)
	}
	for k, q := range out {
		if err := jpeg.Project(luma, jpeg.Size{W: p.W, H: p.H}, p.chroma, weights[k], q.Grey); err != nil {
			return err
		}
		if p.mirrored {
			mirror(q.Grey)
		}
	}
	return nil
}

// decodeFull decodes the photo in colour as stored.
func (p *Picture) decodeFull() (gocv.Mat, error) {
	if p.Info.Kind != photo.HEIC {
		return decodeColour(p.data)
	}
	return decodeHEIC(p.data)
}

// decodeHEIC decodes a HEIC photo in colour at full size.
func decodeHEIC(data []byte) (gocv.Mat, error) {
	img, err := photo.DecodeHEIC(data, photo.DefaultLimits())
	if err != nil {
		return gocv.Mat{}, err
	}
	full, err := gocv.ImageToMatRGB(img) // blue, green, red despite its name
	if err != nil || full.Empty() {
		return full, unreadable(err)
	}
	return full, nil
}

// fullColour decodes the photo in colour at full size.
func (p *Picture) fullColour() (gocv.Mat, error) {
	full, err := p.decodeFull()
	if err != nil {
		return full, err
	}
	if p.mirrored {
		gocv.Flip(full, &full, 1)
	}
	return full, nil
}

// half returns the grey picture at half size, each pixel the mean of four:
// its pixel (i, j) lies at (2i+0.5, 2j+0.5). The caller closes it.
func (p *Picture) half() gocv.Mat {
	size := image.Pt(p.W/2, p.H/2)
	even := p.grey.Region(image.Rectangle{Max: size.Mul(2)}) // without an odd last row or column
	defer even.Close()
	out := gocv.NewMat()
	gocv.Resize(even, &out, size, 0, 0, gocv.InterpolationArea)
	return out
}

// ErrNoCard is returned when no reference card is found.
var ErrNoCard = errors.New("no reference card found")
