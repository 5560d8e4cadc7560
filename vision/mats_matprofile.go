//go:build matprofile

package vision

import "gocv.io/x/gocv"

// OpenMats is how many OpenCV matrices are not closed yet; the build tag
// matprofile makes the binding count them.
func OpenMats() int { return gocv.MatProfile.Count() }
