// Package photo takes a photo in: it looks at the bytes before anything
// decodes them, says what they hold, and refuses what cannot be measured.
//
// Inspect reads only headers. It never decodes a pixel, so a header that
// announces a huge picture costs nothing. What it learns (size, orientation,
// the focal length expected from EXIF) goes on as plain values in Info.
//
// StripLocation takes the place where a photo was made out of the file and
// leaves the picture data as they are, byte for byte.
//
// Pixel coordinates have their centres at integers (OpenCV's convention):
// the picture covers -0.5 .. width-0.5. "Stored" means the order of the pixels
// in the file, "upright" the picture as a viewer shows it after the EXIF
// orientation.
//
// The package is pure Go. Sources: ITU-T T.81 (JPEG), CIPA DC-008 (Exif),
// CIPA DCG-001 (35 mm equivalent focal length), W3C PNG third edition,
// RFC 9649 (WebP), ISO/IEC 23008-12 (HEIF).
package photo
