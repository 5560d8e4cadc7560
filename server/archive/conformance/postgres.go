package conformance

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"slices"
	"strconv"
	"sync/atomic"
	"syscall"
	"testing"

	"beltend/server/archive"
)

// Postgres is a PostgreSQL server of Debian's package postgresql that the tests
// started for themselves, on a socket in a temporary folder.
type Postgres struct {
	bin, folder string
	as          *syscall.Credential // root may not run it
	databases   atomic.Int64
}

// StartPostgres starts one for the test, or skips the test where PostgreSQL is not
// installed. fsync off: a test that cuts the power would need it, these do not.
func StartPostgres(t testing.TB) *Postgres {
	t.Helper()
	found, err := filepath.Glob("/usr/lib/postgresql/*/bin/initdb")
	if err != nil || len(found) == 0 {
		t.Skip("PostgreSQL is not installed: apt-get install postgresql (make test does)")
	}
	slices.Sort(found)
	folder, err := os.MkdirTemp("", "beltend-pg-")
	if err != nil {
		t.Fatal(err)
	}
	p := &Postgres{bin: filepath.Dir(found[len(found)-1]), folder: folder}
	t.Cleanup(func() {
		if err := os.RemoveAll(folder); err != nil {
			t.Error(err)
		}
	})
	if os.Getuid() == 0 {
		p.as = credential(t)
		if err := os.Chown(folder, int(p.as.Uid), int(p.as.Gid)); err != nil {
			t.Fatal(err)
		}
	}
	p.run(t, "initdb", "-D", p.data(), "-U", "beltend", "--auth=trust", "-E", "UTF8", "--locale=C", "--no-sync")
	p.Start(t)
	t.Cleanup(func() {
		if err := p.command("pg_ctl", "-D", p.data(), "-m", "immediate", "stop").Run(); err != nil {
			t.Logf("stop PostgreSQL: %v", err)
		}
	})
	return p
}

func credential(t testing.TB) *syscall.Credential {
	t.Helper()
	u, err := user.Lookup("postgres")
	if err != nil {
		if u, err = user.Lookup("nobody"); err != nil {
			t.Fatal(err)
		}
	}
	uid, err1 := strconv.ParseUint(u.Uid, 10, 32)
	gid, err2 := strconv.ParseUint(u.Gid, 10, 32)
	if err := errors.Join(err1, err2); err != nil {
		t.Fatal(err)
	}
	return &syscall.Credential{Uid: uint32(uid), Gid: uint32(gid)}
}

func (p *Postgres) data() string { return filepath.Join(p.folder, "data") }

func (p *Postgres) command(name string, args ...string) *exec.Cmd {
	c := exec.Command(filepath.Join(p.bin, name), args...) //nolint:gosec // Debian's own programs
	c.Dir = p.folder
	if p.as != nil {
		c.SysProcAttr = &syscall.SysProcAttr{Credential: p.as}
	}
	return c
}

func (p *Postgres) run(t testing.TB, name string, args ...string) {
	t.Helper()
	if out, err := p.command(name, args...).CombinedOutput(); err != nil {
		t.Fatalf("%s: %v\n%s", name, err, out)
	}
}

// Start starts the server, Stop stops it at once, as a crash does.
func (p *Postgres) Start(t testing.TB) {
	t.Helper()
	p.run(t, "pg_ctl", "-D", p.data(), "-w", "-l", filepath.Join(p.folder, "log"),
		"-o", "-c listen_addresses='' -c unix_socket_directories='"+p.folder+"' -c fsync=off -c max_connections=100", "start")
}

// Stop stops it.
func (p *Postgres) Stop(t testing.TB) {
	t.Helper()
	p.run(t, "pg_ctl", "-D", p.data(), "-w", "-m", "immediate", "stop")
}

func (p *Postgres) address(database string) string {
	return fmt.Sprintf("postgres:///%s?host=%s&user=beltend", database, p.folder)
}

// Database makes a new empty one and gives its address.
func (p *Postgres) Database(t testing.TB) string {
	t.Helper()
	db, err := sql.Open("pgx", p.address("postgres"))
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	name := fmt.Sprintf("t%d", p.databases.Add(1))
	if _, err := db.ExecContext(context.Background(), "CREATE DATABASE "+name); err != nil {
		t.Fatal(err)
	}
	return p.address(name)
}

// Open opens a new archive in a new database, its photos at the address given.
func (p *Postgres) Open(t testing.TB, photos string) (*archive.Archive, archive.Address) {
	t.Helper()
	at := archive.Address{Database: p.Database(t), Photos: photos}
	a, err := archive.Open(t.Context(), at)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := a.Close(); err != nil {
			t.Error(err)
		}
	})
	return a, at
}
