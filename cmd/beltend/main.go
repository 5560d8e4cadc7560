// Command beltend measures from photos how far a conveyor belt's end is out of
// square. Exit codes: 0 measured, 1 fault, 2 wrong usage, 3 refused.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"syscall"

	"github.com/alecthomas/kong"

	"beltend/geometry"
	"beltend/server/measure"
	"beltend/server/result"
)

const (
	exitFault   = 1
	exitUsage   = 2
	exitRefused = 3
)

type commands struct {
	Measure   measureCmd   `cmd:"" help:"Measure one belt end from one or several photos."`
	Tape      tapeCmd      `cmd:"" help:"Work out one belt end from tape readings, alone or with photos."`
	Joint     jointCmd     `cmd:"" help:"Compare the two ends of a joint: kink, hinge, re-cut, take-up."`
	Lacing    lacingCmd    `cmd:"" help:"Choose a fastener from a chart and plan the hooks."`
	Hooks     hooksCmd     `cmd:"" help:"Count the hooks of a finished joint in photos and compare them with the plan."`
	Serve     serveCmd     `cmd:"" help:"Run the service with its page."`
	Card      cardCmd      `cmd:"" help:"Write reference cards to print."`
	Account   accountCmd   `cmd:"" help:"Accounts, tokens and sites of a service that others can reach."`
	Archive   archiveCmd   `cmd:"" help:"Verify, export, back up and copy the archive."`
	Calibrate calibrateCmd `cmd:"" help:"Make a camera profile from photos of cards."`
	Render    renderCmd    `cmd:"" help:"Draw an invented belt end whose truth is known."`
	Health    healthCmd    `cmd:"" help:"Ask a running service whether it answers."`
	Worker    workerCmd    `cmd:"" hidden:"" help:"Measure for the service (started by it)."`
	Version   versionCmd   `cmd:"" help:"Print the version."`
}

// streams is what a command may write to and read from.
type streams struct {
	in       io.Reader
	out, err io.Writer
}

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	code := run(ctx, os.Args[1:], streams{os.Stdin, os.Stdout, os.Stderr})
	stop()
	os.Exit(code)
}

func run(ctx context.Context, args []string, std streams) (code int) {
	var cli commands
	var given settings
	ended := -1 // kong ends by itself after --help
	parser, err := kong.New(&cli,
		kong.Name("beltend"),
		kong.Description("Measures from photos how far a conveyor belt's end is out of square.\n\nExit codes: 0 measured, 1 fault, 2 wrong usage, 3 refused (the photo cannot carry an answer)."),
		kong.WithHyphenPrefixedParameters(true),
		kong.Writers(std.out, std.err),
		kong.ConfigureHelp(kong.HelpOptions{Compact: true}),
		kong.Exit(func(c int) { ended = c; panic(exitNow{}) }),
		kong.BindTo(ctx, (*context.Context)(nil)),
		kong.Bind(std),
		kong.Resolvers(&given),
	)
	if err != nil {
		fmt.Fprintln(std.err, "beltend:", err)
		return exitFault
	}
	given.take(parser)
	defer func() {
		if r := recover(); r != nil {
			if _, ok := r.(exitNow); !ok {
				panic(r)
			}
			code = ended
		}
	}()
	parsed, err := parser.Parse(args)
	if err != nil {
		fmt.Fprintf(std.err, "beltend: %v\nSee beltend --help.\n", err)
		return exitUsage
	}
	if err := given.problems(parsed.Selected().Target.Addr().Interface()); err != nil {
		return exitCode(err, std)
	}
	return exitCode(parsed.Run(), std)
}

// exitNow unwinds from kong's own end of the program.
type exitNow struct{}

// exitCode says on standard error what went wrong and gives the exit code.
func exitCode(err error, std streams) int {
	var refused *result.Refusal
	var usage *measure.UsageError
	var wrong *geometry.WrongValue
	var settings wrongSettings
	switch {
	case err == nil:
		return 0
	case errors.As(err, &refused):
		fmt.Fprintf(std.err, "Refused (%s): %s\n%s\n", refused.Code, refused.Message, refused.Advice)
		return exitRefused
	case errors.As(err, &settings):
		for _, one := range settings {
			fmt.Fprintf(std.err, "beltend: %s\n", one)
		}
		return exitUsage
	case errors.As(err, &usage):
		fmt.Fprintf(std.err, "beltend: %v\n", usage)
		return exitUsage
	case errors.As(err, &wrong):
		fmt.Fprintf(std.err, "beltend: %v\n", wrong)
		return exitUsage
	case errors.Is(err, context.Canceled):
		fmt.Fprintln(std.err, "beltend: stopped")
		return exitFault
	default:
		fmt.Fprintf(std.err, "beltend: %v\n", err)
		return exitFault
	}
}
