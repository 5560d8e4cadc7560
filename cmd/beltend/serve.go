package main

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"net"
	"net/http"
	"os"
	"os/user"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"time"

	"beltend/server/account"
	"beltend/server/archive"
	"beltend/server/archive/queue"
	"beltend/server/httpapi"
	"beltend/server/measure"
	"beltend/server/order"
	"beltend/server/report"
	"beltend/server/result"
	"beltend/server/store"
	"beltend/server/training"
	"beltend/server/worker"
)

type serveCmd struct {
	archiveFlags
	Name string `placeholder:"NAME" setting:"name" help:"Who works at this machine, as the records name you (default: the name you are signed in with)."`

	Listen       string        `aliases:"addr" default:"127.0.0.1:8080" placeholder:"HOST:PORT" setting:"listen" help:"Address to listen on (default ${default})."`
	TLS          bool          `name:"tls" setting:"tls" help:"Encrypt with a certificate that beltend makes for itself; /trust tells phones how to trust it."`
	TLSCert      string        `name:"tls-cert" placeholder:"FILE" setting:"tls-cert" help:"Encrypt with this certificate (PEM, with its chain)."`
	TLSKey       string        `name:"tls-key" placeholder:"FILE" setting:"tls-key" help:"The certificate's key."`
	Show         []string      `placeholder:"PHOTO" sep:"none" help:"Measure this photo at the start and print the address of the result; again for more photos of the same end."`
	Workers      int           `placeholder:"N" setting:"workers" help:"Measurements at the same time in this process (default: processors)."`
	Queue        int           `default:"100" setting:"queue" help:"Measurements that may wait or be made, of all processes; beyond, the answer is 503 (default ${default})."`
	Deadline     time.Duration `default:"60s" setting:"deadline" help:"Longest time for one measurement."`
	WorkerMemory int           `default:"2048" placeholder:"MB" setting:"worker-memory" help:"Memory of one measurement."`
}

const (
	cachedBytes = 128 << 20        // of pictures
	drawings    = 32               // requests whose pictures may wait to be drawn
	partsAge    = 24 * time.Hour   // parts of photos of which nothing more came are kept so long
	sweepTime   = time.Hour        // between two looks for them
	tries       = 3                // of a measurement that fails by a fault of the machine
	graceTime   = 15 * time.Second // for measurements under way when the service is stopped
	stopTime    = 20 * time.Second // for requests under way then
)

// Run serves until it is told to stop.
func (c *serveCmd) Run(ctx context.Context, std streams) (err error) {
	host, _, _ := net.SplitHostPort(c.Listen) // checked
	show, err := readPhotos(c.Show)
	if err != nil {
		return err
	}
	log := slog.New(slog.NewTextHandler(std.err, nil))
	at, err := c.own()
	if err != nil {
		return err
	}
	kept, err := archive.Open(ctx, at)
	if err != nil {
		return fmt.Errorf("open the archive: %w", err)
	}
	defer func() { err = errors.Join(err, kept.Close()) }()
	var accounts *account.Accounts
	if !httpapi.Loopback(host) {
		accounts = account.New(kept)
		switch some, err := accounts.Any(ctx); {
		case err != nil:
			return fmt.Errorf("look for accounts: %w", err)
		case !some:
			return &measure.UsageError{Setting: "listen", Message: fmt.Sprintf("%q can be reached from other machines, and nobody has an account yet: make one with beltend account add, or listen on 127.0.0.1", c.Listen)}
		}
	}
	self, err := os.Executable()
	if err != nil {
		return fmt.Errorf("find the own program: %w", err)
	}
	pool, err := worker.New(worker.Config{
		Command: []string{self, "worker", "--memory", strconv.Itoa(c.WorkerMemory)},
		Env:     []string{"GOTRACEBACK=single"},
		Workers: c.Workers, Queue: drawings, Deadline: c.Deadline, Log: log,
	})
	if err != nil {
		return err
	}
	defer pool.Close()
	// Besides measuring, a job reads its photos and waits for a worker that draws pictures.
	troubles := slog.New(slog.NewTextHandler(std.err, &slog.HandlerOptions{Level: slog.LevelWarn}))
	waiting, err := queue.Open(ctx, queue.Config{At: at, Timeout: c.Deadline + time.Minute, Attempts: tries, Log: troubles})
	if err != nil {
		return fmt.Errorf("open the queue: %w", err)
	}
	defer func() { err = errors.Join(err, waiting.Close()) }()
	metrics := httpapi.NewMetrics()
	counted := metrics.Count(pool)
	records := store.New(kept, httpapi.Draw(pool), cachedBytes)
	if err := takeOverRounds(ctx, at.Folder, records, log); err != nil {
		return err
	}
	desk := order.New(order.Config{Store: records, Queue: waiting, Measurer: counted, Program: version(), Workers: c.Workers, Limit: c.Queue, Log: log})
	cfg := httpapi.Config{Accounts: accounts, Measurer: counted, Metrics: metrics, Store: records, Orders: desk, Local: localPerson(c.Name), Log: log}
	listener, err := net.Listen("tcp", c.Listen)
	if err != nil {
		return fmt.Errorf("listen on %s: %w (is another beltend running there?)", c.Listen, err)
	}
	defer listener.Close()
	base := "http://" + listener.Addr().String()
	secure, err := c.secure(at.Folder, listener.Addr(), &cfg)
	if err != nil {
		return err
	}
	if secure != nil {
		base = "https://" + listener.Addr().String()
		listener = tls.NewListener(listener, secure)
	}
	server := &http.Server{
		Handler:           httpapi.New(cfg),
		ReadHeaderTimeout: 10 * time.Second,
		ReadTimeout:       5 * time.Minute,  // photos over a poor network
		WriteTimeout:      10 * time.Minute, // and the wait for the answer
		IdleTimeout:       2 * time.Minute,
		MaxHeaderBytes:    32 << 10,
		ErrorLog:          slog.NewLogLogger(log.Handler(), slog.LevelWarn),
	}
	working, stopWork := context.WithCancel(ctx)
	defer stopWork()
	worked := make(chan error, 1)
	go func() { worked <- desk.Work(working, graceTime) }()
	go sweepParts(working, kept, log)
	served := make(chan error, 1)
	go func() { served <- server.Serve(listener) }()
	fmt.Fprintf(std.out, "beltend serves at %s/\n", base)
	if cfg.Trust != nil {
		fmt.Fprintf(std.out, "For phones: %s/trust, fingerprint of the certificate:\n%s\n", cfg.Trust.Addresses[0], httpapi.Fingerprint(cfg.Trust.Authority))
	}
	if len(show) > 0 {
		if err := c.show(ctx, std, cfg, base, show); err != nil {
			return err
		}
	}
	select {
	case err := <-served:
		return fmt.Errorf("serve: %w", err)
	case err := <-worked:
		return errors.Join(fmt.Errorf("work on the queue: %w", err), server.Close())
	case <-ctx.Done():
	}
	fmt.Fprintln(std.err, "beltend: stopping")
	stopping, cancel := context.WithTimeout(context.Background(), stopTime)
	defer cancel()
	if err := server.Shutdown(stopping); err != nil {
		if err := server.Close(); err != nil {
			return fmt.Errorf("stop: %w", err)
		}
	}
	if err := <-worked; err != nil { // measured to the end, or put back
		return fmt.Errorf("stop work on the queue: %w", err)
	}
	if err := <-served; !errors.Is(err, http.ErrServerClosed) {
		return fmt.Errorf("serve: %w", err)
	}
	return nil
}

// sweepParts takes away parts of photos whose rest never came, now and then.
func sweepParts(ctx context.Context, kept *archive.Archive, log *slog.Logger) {
	again := time.NewTicker(sweepTime)
	defer again.Stop()
	for {
		n, err := kept.SweepParts(ctx, partsAge)
		if err != nil && ctx.Err() == nil {
			log.Warn("parts of photos whose rest never came are still there", "error", err)
		} else if n > 0 {
			log.Info("parts of photos whose rest never came are taken away", "parts", n)
		}
		select {
		case <-ctx.Done():
			return
		case <-again.C:
		}
	}
}

// secure is how connections are encrypted; nil: not at all.
func (c *serveCmd) secure(folder string, listen net.Addr, cfg *httpapi.Config) (*tls.Config, error) {
	switch {
	case c.TLSCert != "":
		pair, err := tls.LoadX509KeyPair(c.TLSCert, c.TLSKey)
		if err != nil {
			return nil, &measure.UsageError{Setting: "tls-cert", Message: fmt.Sprintf("certificate and key cannot be used: %v", err)}
		}
		return &tls.Config{MinVersion: tls.VersionTLS12, Certificates: []tls.Certificate{pair}}, nil
	case c.TLS:
		if folder == "" {
			folder = dataFolder()
		}
		own, trust, err := ownTLS(folder, listen)
		cfg.Trust = trust
		return own, err
	}
	return nil, nil
}

// dataFolder is where programs of this person keep data: as the XDG base
// directory specification says on Linux, beside the program's settings elsewhere.
func dataFolder() string {
	if dir := os.Getenv("XDG_DATA_HOME"); filepath.IsAbs(dir) {
		return filepath.Join(dir, "beltend")
	}
	if home, err := os.UserHomeDir(); err == nil && runtime.GOOS == "linux" {
		return filepath.Join(home, ".local", "share", "beltend")
	}
	if dir, err := os.UserConfigDir(); err == nil {
		return filepath.Join(dir, "beltend", "data")
	}
	return "beltend-data"
}

// localPerson is the person at this machine, who may do everything; without a name,
// by the one signed in with.
func localPerson(name string) store.Person {
	name = strings.TrimSpace(name)
	if u, err := user.Current(); name == "" && err == nil {
		if name = strings.TrimSpace(strings.Split(u.Name, ",")[0]); name == "" {
			name = u.Username
		}
	}
	if name == "" {
		name = "local"
	}
	return store.Person{Actor: archive.Actor{ID: "local", Name: name}, Sites: archive.AllSites()}
}

// check looks at every setting.
func (c *serveCmd) check() []*measure.UsageError {
	var wrong []*measure.UsageError
	bad := func(setting, format string, a ...any) {
		wrong = append(wrong, &measure.UsageError{Setting: setting, Message: fmt.Sprintf(format, a...)})
	}
	within := func(setting string, v, lo, hi int) {
		if v < lo || v > hi {
			bad(setting, "%d is out of range %d to %d", v, lo, hi)
		}
	}
	if c.Workers == 0 {
		c.Workers = runtime.NumCPU()
	}
	within("workers", c.Workers, 1, 1024)
	within("queue", c.Queue, 1, 10000)
	within("worker-memory", c.WorkerMemory, 512, 1<<20) // MB
	if c.Deadline < time.Second || c.Deadline > time.Hour {
		bad("deadline", "%v is out of range 1s to 1h", c.Deadline)
	}
	if _, port, err := net.SplitHostPort(c.Listen); err != nil {
		bad("listen", "%q is no address: give host and port, for example 127.0.0.1:8080", c.Listen)
	} else if n, err := strconv.Atoi(port); err != nil || n < 0 || n > 65535 {
		bad("listen", "%q is no port: give a number up to 65535", port)
	}
	switch {
	case c.TLS && c.TLSCert != "":
		bad("tls", "is for a certificate of beltend's own: leave it out beside --tls-cert")
	case c.TLSCert != "" && c.TLSKey == "":
		bad("tls-cert", "a certificate needs its key: give --tls-key too")
	case c.TLSKey != "" && c.TLSCert == "":
		bad("tls-key", "a key needs its certificate: give --tls-cert too")
	case c.TLSCert != "":
		if _, err := tls.LoadX509KeyPair(c.TLSCert, c.TLSKey); err != nil {
			bad("tls-cert", "certificate and key cannot be used: %v", err)
		}
	}
	var usage *measure.UsageError
	if _, err := c.own(); errors.As(err, &usage) {
		wrong = append(wrong, usage)
	}
	return wrong
}

// show measures before anybody asks. A refusal is told and the service goes on.
func (c *serveCmd) show(ctx context.Context, std streams, cfg httpapi.Config, base string, photos []measure.Input) error {
	o, err := cfg.Orders.Take(ctx, cfg.Local, store.Place{}, photos, result.Settings{}, report.Options{})
	var r store.Record
	if err == nil {
		r, err = cfg.Orders.Ask(ctx, o, func() {}, nil)
	}
	var refused *result.Refusal
	switch {
	case errors.As(err, &refused):
		fmt.Fprintf(std.err, "Refused (%s): %s\n%s\n", refused.Code, refused.Message, refused.Advice)
	case err != nil:
		return err
	default:
		fmt.Fprintf(std.out, "The result: %s/m/%s\n", base, r.ID)
	}
	return nil
}

// takeOverRounds brings a trainer's rounds from the file where they were kept before
// into the record, and sets the file aside.
func takeOverRounds(ctx context.Context, folder string, records *store.Store, log *slog.Logger) error {
	if folder == "" {
		return nil
	}
	name := filepath.Join(folder, training.EarlierFile)
	file, err := os.Open(name)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return fmt.Errorf("take over the earlier rounds: %w", err)
	}
	n, err := records.TakeOverRounds(ctx, archive.Actor{ID: "program", Name: "beltend"}, file)
	if err := errors.Join(err, file.Close()); err != nil {
		return fmt.Errorf("take over the earlier rounds of %s: %w", name, err)
	}
	if err := os.Rename(name, name+".taken-over"); err != nil {
		return fmt.Errorf("set the earlier rounds aside: %w", err)
	}
	log.Info("earlier rounds stand in the record now", "rounds", n)
	return nil
}
