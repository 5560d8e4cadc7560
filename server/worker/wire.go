package worker

import (
	"encoding/binary"
	"encoding/json"
	"fmt"
	"io"

	"beltend/server/measure"
	"beltend/server/result"
	"beltend/vision/overlay"
)

const (
	maxHeader = 64 << 20  // bytes of JSON
	maxFiles  = 512 << 20 // bytes of all files of a frame
)

// fileHeader announces a file that follows the JSON.
type fileHeader struct {
	Name string `json:"name"`
	Size int    `json:"size"`
}

// jobHeader opens a job.
type jobHeader struct {
	Photos   []fileHeader    `json:"photos"`
	Settings result.Settings `json:"settings"`
	Inches   bool            `json:"inches,omitempty"`
	Lang     string          `json:"lang,omitempty"`

	Draw   *result.Measurement `json:"draw,omitempty"`
	Window *overlay.Window     `json:"window,omitempty"`
	Hooks  *Hooks              `json:"hooks,omitempty"`
}

// reply is everything a worker says: it is ready, a step of progress, or one of
// the ends of a job.
type reply struct {
	Ready       bool                `json:"ready,omitempty"`
	Step        string              `json:"step,omitempty"`
	Done        float64             `json:"done,omitempty"`
	Measurement *result.Measurement `json:"measurement,omitempty"`
	Hooks       *result.Hooks       `json:"hooks,omitempty"`
	Pictures    []fileHeader        `json:"pictures,omitempty"`
	Refused     *result.Refusal     `json:"refused,omitempty"`
	Doubt       []result.Image      `json:"doubt,omitempty"` // with Refused: what was found
	Usage       *measure.UsageError `json:"usage,omitempty"`
	Fault       string              `json:"fault,omitempty"`
}

func writeFrame(w io.Writer, header any, files ...[]byte) error {
	b, err := json.Marshal(header)
	if err != nil {
		return fmt.Errorf("write a frame: %w", err)
	}
	head := binary.BigEndian.AppendUint32(make([]byte, 0, 4+len(b)), uint32(len(b)))
	if _, err := w.Write(append(head, b...)); err != nil {
		return err
	}
	for _, f := range files {
		if _, err := w.Write(f); err != nil {
			return err
		}
	}
	return nil
}

func readFrame(r io.Reader, header any) error {
	var size [4]byte
	if _, err := io.ReadFull(r, size[:]); err != nil {
		return err
	}
	n := binary.BigEndian.Uint32(size[:])
	if n > maxHeader {
		return fmt.Errorf("a frame of %d bytes is too long", n)
	}
	b := make([]byte, n)
	if _, err := io.ReadFull(r, b); err != nil {
		return err
	}
	return json.Unmarshal(b, header)
}

func readFiles(r io.Reader, headers []fileHeader) ([][]byte, error) {
	total := 0
	for _, h := range headers {
		if h.Size < 0 || h.Size > maxFiles-total {
			return nil, fmt.Errorf("files of more than %d MB in a frame", maxFiles>>20)
		}
		total += h.Size
	}
	files := make([][]byte, len(headers))
	for i, h := range headers {
		files[i] = make([]byte, h.Size)
		if _, err := io.ReadFull(r, files[i]); err != nil {
			return nil, err
		}
	}
	return files, nil
}
