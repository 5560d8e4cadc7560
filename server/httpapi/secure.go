package httpapi

import (
	"net"
	"net/http"
	"net/url"
	"strings"

	"github.com/gin-gonic/gin"
)

// secure sets the headers that keep a page to this service: nothing is loaded
// from outside, no script runs but our own files, nobody frames it.
func secure(c *gin.Context) {
	h := c.Writer.Header()
	h.Set("Content-Security-Policy", "default-src 'none'; img-src 'self' blob:; style-src 'self'; script-src 'self'; connect-src 'self'; worker-src 'self'; manifest-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'")
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("X-Frame-Options", "DENY")
	h.Set("Referrer-Policy", "no-referrer")
	h.Set("Cross-Origin-Opener-Policy", "same-origin")
	h.Set("Cross-Origin-Resource-Policy", "same-origin")
	h.Set("Permissions-Policy", "camera=(), microphone=(), geolocation=()")
	h.Set("Cache-Control", "no-store")
}

// Loopback reports whether a host, with or without port, names this machine
// alone.
func Loopback(host string) bool {
	if h, _, err := net.SplitHostPort(host); err == nil {
		host = h
	}
	host = strings.Trim(host, "[]")
	if strings.EqualFold(host, "localhost") {
		return true
	}
	ip := net.ParseIP(host)
	return ip != nil && ip.IsLoopback()
}

// ownHost turns away requests under a foreign name: a web page elsewhere could
// point its own name at this machine and read what the service shows. Where
// there are accounts, such a page has no session.
func (s *service) ownHost(c *gin.Context) {
	if s.Accounts == nil && !Loopback(c.Request.Host) {
		c.AbortWithStatus(http.StatusMisdirectedRequest)
	}
}

// sameOrigin turns away forms sent by pages of others.
func sameOrigin(s *service) gin.HandlerFunc {
	return func(c *gin.Context) {
		site, origin := c.GetHeader("Sec-Fetch-Site"), c.GetHeader("Origin")
		ok := site == "same-origin" || site == "none"
		if site == "" { // browsers older than the header; programs send neither
			u, err := url.Parse(origin)
			ok = origin == "" || err == nil && u.Host == c.Request.Host
		}
		if !ok {
			s.fail(c, problemForeign)
		}
	}
}
