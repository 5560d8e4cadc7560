package conformance

import (
	"context"
	"fmt"
	"net"
	"net/netip"
	"os"
	"os/exec"
	"path/filepath"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/aws/aws-sdk-go-v2/aws"
	"github.com/aws/aws-sdk-go-v2/config"
	"github.com/aws/aws-sdk-go-v2/service/s3"
)

// s3Server is the program in bin/ that speaks S3: versitygw, built from its source
// by the Makefile (bin/versitygw-VERSION), serving a folder.
const s3Server = "versitygw-v1.0.14"

// S3 is a server that the tests started for themselves on this machine.
type S3 struct {
	program, folder, listen string
	server                  *exec.Cmd
	held                    int // socket that keeps the port while the server is stopped; 0 is none
	buckets                 atomic.Int64
}

// StartS3 starts one for the test, or skips the test where it was not built.
// The test's environment holds the keys from then on.
func StartS3(t *testing.T) *S3 {
	t.Helper()
	program := ""
	for dir, up := ".", 0; up < 5; dir, up = filepath.Join(dir, ".."), up+1 {
		if file, err := filepath.Abs(filepath.Join(dir, "bin", s3Server)); err == nil {
			if _, err := os.Stat(file); err == nil {
				program = file
				break
			}
		}
	}
	if program == "" {
		t.Skip("the S3 server for tests is not built: make bin/" + s3Server + " (make test does)")
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	s := &S3{program: program, folder: t.TempDir(), listen: l.Addr().String()}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	t.Setenv("AWS_ACCESS_KEY_ID", "beltend-test")
	t.Setenv("AWS_SECRET_ACCESS_KEY", "beltend-test-secret")
	t.Setenv("AWS_EC2_METADATA_DISABLED", "true")
	s.Start(t)
	t.Cleanup(func() { s.Stop(t); s.release(t) })
	return s
}

// Start starts the server and waits until it answers.
func (s *S3) Start(t testing.TB) {
	t.Helper()
	s.release(t)
	s.server = exec.Command(s.program, "--access", "beltend-test", "--secret", "beltend-test-secret", "--port", s.listen, "--region", "us-east-1", "--quiet", "posix", s.folder) //nolint:gosec // built here
	s.server.Dir = s.folder
	if err := s.server.Start(); err != nil {
		t.Fatal(err)
	}
	for range 100 {
		if c, err := net.Dial("tcp", s.listen); err == nil {
			_ = c.Close()
			return
		}
		time.Sleep(50 * time.Millisecond)
	}
	t.Fatal("the S3 server does not answer")
}

// Stop stops it at once. Its port stays taken and refuses: another test's server there
// would answer in its place.
func (s *S3) Stop(t testing.TB) {
	t.Helper()
	if s.server == nil {
		return
	}
	if err := s.server.Process.Kill(); err != nil {
		t.Error(err)
	}
	_ = s.server.Wait() // says that it was killed
	s.server = nil
	s.hold(t)
}

// hold binds the port without listening on it.
func (s *S3) hold(t testing.TB) {
	t.Helper()
	at := netip.MustParseAddrPort(s.listen)
	fd, err := syscall.Socket(syscall.AF_INET, syscall.SOCK_STREAM|syscall.SOCK_CLOEXEC, 0)
	if err != nil {
		t.Fatal(err)
	}
	s.held = fd
	if err := syscall.SetsockoptInt(fd, syscall.SOL_SOCKET, syscall.SO_REUSEADDR, 1); err != nil {
		t.Fatal(err)
	}
	if err := syscall.Bind(fd, &syscall.SockaddrInet4{Port: int(at.Port()), Addr: at.Addr().As4()}); err != nil {
		t.Fatal(err)
	}
}

// release gives the port free again.
func (s *S3) release(t testing.TB) {
	t.Helper()
	if s.held == 0 {
		return
	}
	if err := syscall.Close(s.held); err != nil {
		t.Error(err)
	}
	s.held = 0
}

// Bucket makes a new one and gives its address.
func (s *S3) Bucket(t testing.TB) string {
	t.Helper()
	ctx := context.Background()
	cfg, err := config.LoadDefaultConfig(ctx, config.WithRegion("us-east-1"))
	if err != nil {
		t.Fatal(err)
	}
	client := s3.NewFromConfig(cfg, func(o *s3.Options) {
		o.BaseEndpoint = aws.String("http://" + s.listen)
		o.UsePathStyle = true
	})
	name := fmt.Sprintf("photos-%d", s.buckets.Add(1))
	if _, err := client.CreateBucket(ctx, &s3.CreateBucketInput{Bucket: aws.String(name)}); err != nil {
		t.Fatal(err)
	}
	return fmt.Sprintf("s3://%s?region=us-east-1&endpoint=http://%s&use_path_style=true", name, s.listen)
}
