package main

import (
	"context"
	"fmt"
	"os"
	"sort"
	"strings"
	"time"

	"beltend/server/measure"
	"beltend/server/result"
	"beltend/vision"
)

// cost prints what one 12 megapixel photo costs: time as a ratio to one full
// colour decode of the same photo in the same run, and memory over the idle
// process.
func cost(path string) error {
	data, err := os.ReadFile(path)
	if err != nil {
		return err
	}
	idle := status("VmRSS:")
	in := []measure.Input{{Name: path, Data: data}}
	var decode, whole []float64
	for range 15 {
		t := time.Now()
		if err := vision.DecodeColour(data); err != nil {
			return err
		}
		decode = append(decode, time.Since(t).Seconds())
		t = time.Now()
		if _, err := measure.Run(context.Background(), in, result.Settings{}, nil); err != nil {
			return err
		}
		whole = append(whole, time.Since(t).Seconds())
	}
	sort.Float64s(decode)
	sort.Float64s(whole)
	d, w := decode[len(decode)/2], whole[len(whole)/2]
	fmt.Printf("%s: measured in %.0f ms, %.2f times one colour decode (%.0f ms); goal 1.5. Peak memory %.0f MB over idle; goal 150.\n",
		path, 1000*w, w/d, 1000*d, (status("VmHWM:")-idle)/1024)
	return nil
}

// status reads a figure in kB from the kernel's account of this process.
func status(field string) float64 {
	b, err := os.ReadFile("/proc/self/status")
	if err != nil {
		return 0
	}
	for _, line := range strings.Split(string(b), "\n") {
		if rest, ok := strings.CutPrefix(line, field); ok {
			var v float64
			if _, err := fmt.Sscan(rest, &v); err == nil {
				return v
			}
		}
	}
	return 0
}
