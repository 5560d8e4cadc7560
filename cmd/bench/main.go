// Command bench is the scoreboard: it measures belt ends whose truth is known,
// as the program does, and prints one line a class with the goals beside, and
// one line a kind of scene. The scenes are rendered from fixed seeds; photos
// made elsewhere can be measured beside them. Nothing here is a test; `make
// bench` runs it.
package main

import (
	"errors"
	"flag"
	"fmt"
	"os"
	"runtime"
	"runtime/debug"
	"strings"

	"beltend/server/worker"
	"beltend/vision"
)

func main() {
	var o options
	flag.StringVar(&o.cache, "cache", "", "folder that keeps rendered photos between runs")
	flag.StringVar(&o.only, "class", "", "run only classes whose name begins so")
	flag.StringVar(&o.kind, "kind", "", "run only kinds of scenes whose name begins so")
	flag.IntVar(&o.n, "n", 0, "scenes a class (default: the full set)")
	flag.Int64Var(&o.first, "seed", 1, "first seed")
	flag.IntVar(&o.workers, "j", 2, "scenes rendered at a time; they are measured one after the other")
	flag.StringVar(&o.photos, "photos", "../shared/photos", "folder of photos made elsewhere (photos/*.jpg, truth/*.json, truth/groups.json); left out where there is none")
	flag.StringVar(&o.worst, "worst", "out/worst", "folder for pictures of the worst ten and of every lie")
	flag.StringVar(&o.keep, "keep", "", "folder for the photos and truths of the scenes measured")
	flag.BoolVar(&o.verbose, "v", false, "print every scene")
	flag.Parse()
	if err := run(o); err != nil {
		fmt.Fprintln(os.Stderr, "bench:", err)
		os.Exit(1)
	}
}

type options struct {
	cache, only, kind, photos, worst, keep string
	n, workers                             int
	first                                  int64
	verbose                                bool
}

func run(o options) (err error) {
	vision.OneThread()
	debug.SetGCPercent(worker.GCPercent)
	defer runtime.KeepAlive(worker.Ballast())
	if o.cache == "" {
		if o.cache, err = os.MkdirTemp("", "beltend-bench-"); err != nil {
			return err
		}
		defer func() { err = errors.Join(err, os.RemoveAll(o.cache)) }()
	}
	idle := status("VmRSS:")
	var all []outcome
	var names []string
	add := func(name string, g goal, jobs []job) error {
		out, err := measureAll(name, jobs, idle)
		if err != nil || len(out) == 0 {
			return err
		}
		row(os.Stdout, name, out, g)
		all, names = append(all, out...), append(names, name)
		return nil
	}
	head(os.Stdout)
	for _, c := range classes {
		if !strings.HasPrefix(c.name, o.only) {
			continue
		}
		jobs, err := c.jobs(o)
		if err != nil {
			return err
		}
		if err := add(c.name, c.goal, jobs); err != nil {
			return err
		}
	}
	if strings.HasPrefix(rayTraced, o.only) && o.kind == "" {
		jobs, err := elsewhere(o.photos)
		if err != nil {
			return err
		}
		measured, refused := split(jobs)
		if err := add(rayTraced, goal{}, measured); err != nil {
			return err
		}
		if err := add(rayTraced+", must refuse", goal{}, refused); err != nil {
			return err
		}
		dir, err := os.MkdirTemp("", "beltend-altered-")
		if err != nil {
			return err
		}
		defer os.RemoveAll(dir)
		changed, err := alteredFrom(measured, dir)
		if err != nil {
			return err
		}
		if err := add(altered, goal{}, changed); err != nil {
			return err
		}
	}
	kinds(os.Stdout, names, all)
	list(os.Stdout, all, o.verbose)
	if err := joints(o); err != nil {
		return err
	}
	return drawWorst(o.worst, all)
}

// split parts the jobs that carry an answer from those that must be refused.
func split(jobs []job) (measured, refused []job) {
	for _, j := range jobs {
		if j.refuse {
			refused = append(refused, j)
		} else {
			measured = append(measured, j)
		}
	}
	return measured, refused
}
