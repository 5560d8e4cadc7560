package adjust

import (
	"fmt"
	"strings"
)

// Status says why Solve stopped.
type Status int

const (
	// NotStarted is the zero value: there is no result.
	NotStarted Status = iota
	// Converged is the only success: a further Gauss-Newton step would be negligible against the standard deviations.
	Converged
	// IterationLimit means that Options.MaxIterations was reached.
	IterationLimit
	// Stalled means that no step, however short, lowers the cost although the gradient asks for one: mostly a wrong
	// Jacobian, or residuals that cannot be computed just beside the present values.
	Stalled
	// Undetermined means that the observations do not determine the parameters at the place reached.
	Undetermined
)

func (s Status) String() string {
	switch s {
	case NotStarted:
		return "not started"
	case Converged:
		return "converged"
	case IterationLimit:
		return "iteration limit reached"
	case Stalled:
		return "stalled"
	case Undetermined:
		return "parameters not determined"
	}
	return fmt.Sprintf("Status(%d)", int(s))
}

// Early is true when the result is not a minimum and must not be used as a measurement.
func (s Status) Early() bool { return s != Converged }

// Err is nil for Converged and a *StopError otherwise.
func (s Status) Err() error {
	if s == Converged {
		return nil
	}
	return &StopError{s}
}

// StopError is the error of an adjustment that ended before it converged.
type StopError struct{ Status Status }

func (e *StopError) Error() string { return "adjustment did not converge: " + e.Status.String() }

// EvalError says which residual could not be computed at the start values.
type EvalError struct{ Residual string }

func (e *EvalError) Error() string {
	return fmt.Sprintf("adjustment: residual %q cannot be computed at the start values", e.Residual)
}

// RankError says that the observations leave a combination of parameters undetermined.
type RankError struct {
	Block     string   // the block that moves most along the loosest direction
	Element   int      // its parameter that moves most
	Blocks    []string // all blocks with a noticeable part in that direction, Block among them
	Condition float64  // of the design matrix with columns scaled to length 1, Frobenius norm; +Inf if singular
}

func (e *RankError) Error() string {
	s := fmt.Sprintf("adjustment: the observations do not determine block %q (parameter %d; condition number %.3g)",
		e.Block, e.Element, e.Condition)
	if len(e.Blocks) > 1 {
		s += "; involved: " + strings.Join(e.Blocks, ", ")
	}
	return s
}
