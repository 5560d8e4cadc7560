// Package render makes photos of belt ends whose truth is known: a scene is
// plain data, Render draws it, Truth computes from the very same shapes what a
// perfect measurement would find. Pure Go.
//
// # How a picture is made
//
// Every visible outline (belt, cut face, cards, lines, clutter) is a polygon
// in space. Its sides are projected through the camera, cut into pieces that
// follow the lens distortion to 0.002 px, and filled with the exact area that
// they cover of each pixel. Colours and textures come from the belt plane
// through the inverse map. The linear picture is then blurred, given noise, a
// tone curve and sharpening, and compressed.
//
// Frames, signs and pixel centres are those of package geometry. Lengths in
// millimetres; angles in a Scene in degrees, since people write them.
package render
