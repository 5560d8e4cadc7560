package pages

// TrustData is the page that brings a phone here.
type TrustData struct {
	Fingerprint string
	Codes       []QRCode
}

// QRCode is a code drawn in modules, the quiet zone in its size.
type QRCode struct {
	Address string
	Size    int
	Path    string
}
