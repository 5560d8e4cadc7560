package main

import (
	"context"
	"errors"
)

type serveCmd struct{}

func (c *serveCmd) Run(ctx context.Context, std streams) error { return errors.New("not built yet") }

type workerCmd struct{}

func (c *workerCmd) Run(ctx context.Context, std streams) error { return errors.New("not built yet") }

type healthCmd struct{}

func (c *healthCmd) Run(ctx context.Context, std streams) error { return errors.New("not built yet") }
