package main

import (
	"context"
	"fmt"
	"net/http"
	"time"
)

type healthCmd struct {
	Listen string `aliases:"addr" default:"127.0.0.1:8080" placeholder:"HOST:PORT" help:"Address the service listens on (default ${default})."`
}

// Run succeeds when the service can measure.
func (c *healthCmd) Run(ctx context.Context, std streams) error {
	ctx, cancel := context.WithTimeout(ctx, 4*time.Second)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, "http://"+c.Listen+"/readyz", nil)
	if err != nil {
		return err
	}
	resp, err := http.DefaultClient.Do(req)
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
