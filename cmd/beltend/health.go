package main

import (
	"context"
	"crypto/tls"
	"fmt"
	"net/http"
	"time"
)

type healthCmd struct {
	configFlag
	Listen  string `aliases:"addr" default:"127.0.0.1:8080" placeholder:"HOST:PORT" setting:"listen" help:"Address the service listens on (default ${default})."`
	TLS     bool   `name:"tls" setting:"tls" help:"The service encrypts its connections."`
	TLSCert string `name:"tls-cert" hidden:"" setting:"tls-cert"` // as in a file that the service reads too
}

// Run succeeds when the service can measure.
func (c *healthCmd) Run(ctx context.Context, std streams) error {
	ctx, cancel := context.WithTimeout(ctx, 4*time.Second)
	defer cancel()
	scheme, client := "http", http.DefaultClient
	if c.TLS || c.TLSCert != "" { // whether it answers is asked here, not who it is
		scheme, client = "https", &http.Client{Transport: &http.Transport{TLSClientConfig: &tls.Config{InsecureSkipVerify: true}}} //nolint:gosec // see above
	}
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, scheme+"://"+c.Listen+"/readyz", nil)
	if err != nil {
		return err
	}
	resp, err := client.Do(req)
	if err != nil {
		return fmt.Errorf("no answer: %w", err)
	}
	defer resp.Body.Close()
	if resp.StatusCode != http.StatusOK {
		return fmt.Errorf("the service at %s is not ready: %s", c.Listen, resp.Status)
	}
	fmt.Fprintln(std.out, "ready")
	return nil
}
