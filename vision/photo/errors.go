package photo

import "fmt"

// Codes of the refusals this package makes.
const (
	CodeEmpty       = "empty_photo"       // no bytes at all
	CodeNotPhoto    = "not_a_photo"       // something else: text, a document, a film
	CodeUnsupported = "unsupported_photo" // a picture, of a type that is not read
	CodeTruncated   = "truncated_photo"   // begins well, ends too early
	CodeUnreadable  = "unreadable_photo"  // damaged in another way
	CodeTooLarge    = "photo_too_large"   // bytes, pixels or a side above the limit
	CodeTooSmall    = "too_small"         // too few pixels to measure anything
)

// Error is a refusal of a photo. Message is a sentence that says what is
// wrong, Advice a sentence that says what to do about it. Neither names the
// file: the caller knows it.
type Error struct {
	Code, Message, Advice string
	Cause                 error // for the log; may be nil
}

func (e *Error) Error() string { return e.Message }

// Unwrap gives the cause.
func (e *Error) Unwrap() error { return e.Cause }

// Warning is something a person should know although the photo is usable.
type Warning struct{ Code, Message string }

// Codes of the warnings.
const (
	WarnExifDamaged = "exif_damaged"        // part of the EXIF block could not be read
	WarnOrientation = "orientation_invalid" // the tag is not 1..8, taken as 1
	WarnNoFocal     = "no_focal_length"     // nothing usable, a phone lens is assumed
	WarnFocal       = "focal_untrusted"     // tags that contradict each other or the picture
	WarnResized     = "picture_resized"     // scaled after it was taken
	WarnCropped     = "picture_cropped"     // cut after it was taken
	WarnZoom        = "digital_zoom"        // zoomed, so the focal length is less certain
)

const (
	adviceOriginal = "Send the original file from the phone, not a screenshot or a copy that a chat program has shrunk."
	adviceAgain    = "Copy or upload the photo again; if it still fails, take a new one."
	advicePhoto    = "Send a photo as JPEG, PNG, HEIC or WebP."
	adviceConvert  = "Save the photo as JPEG and send that."
)

func unreadable(kind Kind, what string, args ...any) *Error {
	return &Error{Code: CodeUnreadable, Message: fmt.Sprintf("The %s file is damaged: %s.", kind.title(), fmt.Sprintf(what, args...)), Advice: adviceAgain}
}

func truncated(kind Kind, what string, args ...any) *Error {
	return &Error{Code: CodeTruncated, Message: fmt.Sprintf("The %s file is incomplete: %s.", kind.title(), fmt.Sprintf(what, args...)), Advice: adviceAgain}
}

func unsupported(what string, args ...any) *Error {
	return &Error{Code: CodeUnsupported,
		Message: fmt.Sprintf("This is %s, which is not read here.", fmt.Sprintf(what, args...)), Advice: adviceConvert}
}
