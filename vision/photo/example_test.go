package photo_test

import (
	"bytes"
	"errors"
	"fmt"
	"image"
	"image/jpeg"

	"beltend/vision/photo"
)

func Example() {
	var b bytes.Buffer
	if err := jpeg.Encode(&b, image.NewGray(image.Rect(0, 0, 4032, 3024)), nil); err != nil {
		fmt.Println(err)
		return
	}
	data, err := photo.WriteExif(b.Bytes(), photo.Tags{Orientation: 6, FocalLength: 4.25, FocalLength35: 26, PixelX: 4032, PixelY: 3024})
	if err != nil {
		fmt.Println(err)
		return
	}
	info, err := photo.Inspect(data, photo.DefaultLimits())
	if err != nil {
		fmt.Println(err)
		return
	}
	w, h := photo.UprightSize(info.Width, info.Height, info.Orientation)
	fmt.Printf("%s, upright %d x %d px, focal length %.0f px +- %.1f %% (%s)\n",
		info.Kind, w, h, info.Focal.Pixels, 100*info.Focal.RelSD, info.Focal.Source)

	_, err = photo.Inspect(data[:20000], photo.DefaultLimits())
	var refusal *photo.Error
	if errors.As(err, &refusal) {
		fmt.Println(refusal.Code+":", refusal.Message)
	}
	// Output:
	// jpeg, upright 3024 x 4032 px, focal length 3029 px +- 2.3 % (35 mm)
	// truncated_photo: The JPEG file is incomplete: it ends before the picture does.
}
