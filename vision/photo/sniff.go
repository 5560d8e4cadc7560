package photo

import (
	"bytes"
	"fmt"
	"strings"
)

// Kind is the type of a photo file, found from its first bytes and never from
// its name.
type Kind string

// The kinds that are read.
const (
	JPEG Kind = "jpeg"
	PNG  Kind = "png"
	WebP Kind = "webp"
	HEIC Kind = "heic"
)

func (k Kind) title() string {
	if k == WebP {
		return "WebP"
	}
	return strings.ToUpper(string(k))
}

const (
	pngSignature = "\x89PNG\r\n\x1a\n"
	utf8BOM      = "\xef\xbb\xbf"
)

// Sniff tells the kind from the first bytes.
func Sniff(data []byte) (Kind, error) {
	has := func(prefix string) bool { return bytes.HasPrefix(data, []byte(prefix)) }
	switch {
	case len(data) == 0:
		return "", &Error{Code: CodeEmpty, Message: "The file is empty.", Advice: adviceAgain}
	case has("\xff\xd8\xff"):
		return JPEG, nil
	case has(pngSignature):
		return PNG, nil
	case has("RIFF") && len(data) >= 12 && string(data[8:12]) == "WEBP":
		return WebP, nil
	case len(data) >= 12 && string(data[4:8]) == "ftyp":
		return sniffBrands(data)
	case has(utf8BOM) && len(data) > 3:
		if k, err := Sniff(data[3:]); err == nil {
			return "", unreadable(k, "a text program has put a byte order mark before it and may have changed more")
		}
	}
	// Files that people send by mistake get their name in the answer.
	for _, t := range []struct{ prefix, what string }{
		{"GIF8", "a GIF picture"},
		{"BM", "a BMP picture"},
		{"II*\x00", "a TIFF or raw camera picture"},
		{"MM\x00*", "a TIFF or raw camera picture"},
		{"\xff\x0a", "a JPEG XL picture"},
		{"\x00\x00\x00\x0cJXL ", "a JPEG XL picture"},
		{"\x00\x00\x00\x0cjP  ", "a JPEG 2000 picture"},
		{"8BPS", "a layered picture from a drawing program"},
	} {
		if has(t.prefix) {
			return "", unsupported("%s", t.what)
		}
	}
	what := "The file is not a photo"
	for _, t := range []struct{ prefix, what string }{
		{"%PDF", "a PDF document"}, {"PK\x03\x04", "a ZIP archive or an office document"},
		{"<", "a web page or other text"}, {"{", "a text file"}, {utf8BOM, "a text file"}, {"RIFF", "a sound or a film"},
	} {
		if has(t.prefix) {
			what += " but " + t.what
			break
		}
	}
	return "", &Error{Code: CodeNotPhoto, Message: what + ".", Advice: advicePhoto}
}

// sniffBrands sorts the ISO base media files: HEIC photos, other pictures,
// films.
func sniffBrands(data []byte) (Kind, error) {
	n := min(int(be32(data)), len(data), 4096)
	brands := []string{string(data[8:12])}
	for i := 16; i+4 <= n; i += 4 {
		brands = append(brands, string(data[i:i+4]))
	}
	for _, b := range brands {
		switch b {
		case "heic", "heix", "heim", "heis", "hevc", "hevx":
			return HEIC, nil
		case "avif", "avis":
			return "", unsupported("an AVIF picture")
		case "crx ":
			return "", unsupported("a raw camera picture")
		}
	}
	if brands[0] == "mif1" || brands[0] == "msf1" {
		return HEIC, nil // the primary item decides
	}
	return "", &Error{Code: CodeNotPhoto, Message: fmt.Sprintf("The file is not a photo but a film or a sound (%q).", brands[0]),
		Advice: advicePhoto}
}
