package httpapi

import (
	"crypto/sha256"
	"fmt"
	"net/http"
	"strings"

	"github.com/gin-gonic/gin"
	"rsc.io/qr"

	"beltend/server/pages"
)

// Trust is the certificate that the service made for itself, and where phones
// reach it.
type Trust struct {
	Authority []byte   // certificate of the own authority, DER
	Addresses []string // https://192.168.1.20:8080, the likeliest first
}

// Fingerprint is the SHA-256 of a certificate as people compare it.
func Fingerprint(der []byte) string {
	sum := sha256.Sum256(der)
	pairs := make([]string, len(sum))
	for i, b := range sum {
		pairs[i] = fmt.Sprintf("%02X", b)
	}
	return strings.Join(pairs, ":")
}

// trust explains how a phone gets here and comes to trust the connection.
func (s *service) trust(c *gin.Context) {
	if s.Trust == nil {
		s.fail(c, problemNotFound)
		return
	}
	d := pages.TrustData{Fingerprint: Fingerprint(s.Trust.Authority)}
	for _, address := range s.Trust.Addresses {
		code, err := qrPath(address + "/trust")
		if err != nil {
			s.fail(c, err)
			return
		}
		code.Address = address + "/trust"
		d.Codes = append(d.Codes, code)
	}
	s.render(c, http.StatusOK, "trust.html", pages.Page{Title: s.words(c).Text("trust.title"), Data: d})
}

// qrPath draws a QR code as one path of unit squares.
func qrPath(text string) (pages.QRCode, error) {
	code, err := qr.Encode(text, qr.M)
	if err != nil {
		return pages.QRCode{}, fmt.Errorf("make a QR code: %w", err)
	}
	const quiet = 4 // modules, ISO/IEC 18004
	var path strings.Builder
	for y := range code.Size {
		for x := range code.Size {
			if code.Black(x, y) {
				fmt.Fprintf(&path, "M%d %dh1v1h-1z", x+quiet, y+quiet)
			}
		}
	}
	return pages.QRCode{Size: code.Size + 2*quiet, Path: path.String()}, nil
}

// trustFile serves the authority's certificate for installing on a phone.
func (s *service) trustFile(c *gin.Context) {
	if s.Trust == nil {
		s.fail(c, problemNotFound)
		return
	}
	c.Header("Content-Disposition", `attachment; filename="beltend.crt"`)
	c.Data(http.StatusOK, "application/x-x509-ca-cert", s.Trust.Authority)
}
