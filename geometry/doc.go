// Package geometry holds the plain values and formulas that beltend measures
// with: frames, lines, cameras, reference cards. It is pure Go; it reads no
// files and knows no OpenCV.
//
// # Frames
//
//   - Belt frame: stand beyond the cut end and look up the belt. X to the
//     right, Y up the belt, Z up; the belt's top surface is Z = 0. Lengths in
//     millimetres.
//   - Board frame: a card lying on the belt, seen from above; x to the right
//     of the print, y up the print, so that it turns into the belt frame by a
//     plain rotation. Origin at the board's bottom left corner. Millimetres.
//   - Plane frame: the frame an adjustment works in before the belt's
//     direction is known; the board frame of its first card.
//   - Camera frame: x right, y down, z forward along the optical axis.
//   - Image: u right, v down, pixels; pixel centres at integers, so the
//     picture's top left corner is at (-0.5, -0.5) (OpenCV's convention).
//
// Transforms read target-from-source: camFromPlane takes a point of the plane
// frame to the camera frame.
//
// # Signs
//
// The out-of-square offset is, in the centreline's frame, the cut line at the
// right edge minus the cut line at the left edge: positive when the left side
// sticks out. Angles are radians inside, counterclockwise seen from above, and
// have the sign of the offset: offset = width * tan(angle).
package geometry
