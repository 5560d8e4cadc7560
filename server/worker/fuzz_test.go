package worker

import (
	"bytes"
	"context"
	"encoding/binary"
	"encoding/json"
	"testing"

	"beltend/server/measure"
	"beltend/server/result"
)

// FuzzServe: whatever JSON opens a job and whatever bytes follow, the worker
// does whole jobs, ends with an error or ends with the input; every frame that
// it writes can be read.
func FuzzServe(f *testing.F) {
	photo := []byte("\xff\xd8 a photo")
	f.Add([]byte(`{"photos":[{"name":"a.jpg","size":10}],"settings":{"tolerance_mm":2}}`), photo)
	f.Add([]byte(`{"photos":[{"name":"a.jpg","size":-1}]}`), photo)
	f.Add([]byte(`{"photos":[{"name":"a.jpg","size":4},{"name":"../b","size":999999}],"inches":true}`), photo)
	f.Add([]byte(`{"settings":{"hints":[{"photo":9,"edge":"x","px":[[1,2]]}],"camera":[1e308]}}`), []byte("\x00\x00\x00\x02{}"))
	f.Add([]byte(`null`), []byte{})
	f.Add([]byte(`{"photos":[`), []byte{0xff, 0xff, 0xff, 0xff})
	f.Fuzz(func(t *testing.T, header, rest []byte) {
		var h jobHeader
		if json.Unmarshal(header, &h) == nil {
			for _, p := range h.Photos {
				if p.Size > 1<<20 { // allowed, and memory that the fuzzing needs
					return
				}
			}
		}
		in := append(binary.BigEndian.AppendUint32(nil, uint32(len(header))), header...)
		var out bytes.Buffer
		jobs := 0
		// what goes wrong is Serve's to say; that it says it is what counts here
		_ = Serve(context.Background(), bytes.NewReader(append(in, rest...)), &out, func(_ context.Context, job Job, tell measure.Progress) (Answer, error) {
			jobs++
			for _, p := range job.Photos {
				tell("cards", 0.5)
				if len(p.Data) > len(rest) {
					t.Fatalf("a photo of %d bytes out of %d", len(p.Data), len(rest))
				}
			}
			if len(job.Photos) == 0 {
				return Answer{}, &measure.UsageError{Setting: "photos", Message: "give one"}
			}
			return Answer{Measurement: &result.Measurement{Settings: &job.Settings}, Pictures: []File{{job.Photos[0].Name, job.Photos[0].Data}}}, nil
		})
		ends := 0
		for out.Len() > 0 {
			var re reply
			if err := readFrame(&out, &re); err != nil {
				t.Fatalf("a frame that cannot be read: %v", err)
			}
			if _, err := readFiles(&out, re.Pictures); err != nil {
				t.Fatalf("files that cannot be read: %v", err)
			}
			if re.Measurement != nil || re.Usage != nil || re.Refused != nil || re.Fault != "" {
				ends++
			}
		}
		if ends != jobs {
			t.Fatalf("%d jobs, %d answers", jobs, ends)
		}
	})
}
