package archive

import (
	"context"
	"database/sql"
	"embed"
	"errors"
	"fmt"
	"io/fs"
	"net"
	"net/url"
	"path/filepath"
	"strconv"
	"strings"
	"sync/atomic"
	"syscall"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/jackc/pgx/v5/stdlib"
	"github.com/pressly/goose/v3"
	"github.com/pressly/goose/v3/lock"
	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"
)

//go:embed migrations
var migrations embed.FS

// database is one of the two databases. SQL is written once, with ? for each
// value; what differs between the two is decided here.
type database struct {
	postgres bool
	w, r     *sql.DB // to write and to read with; the same on PostgreSQL

	statements, transactions atomic.Int64 // since it was opened
}

const (
	writeWait   = 15 * time.Second // for SQLite's one writer
	readers     = 8                // SQLite connections to read with
	pgConns     = 16
	pgIdleConns = 8
)

func openSQLite(ctx context.Context, file string) (*database, error) {
	abs, err := filepath.Abs(file)
	if err != nil {
		return nil, err
	}
	if err := PrivateDatabase(abs); err != nil {
		return nil, err
	}
	dsn := func(query string) string {
		u := url.URL{Scheme: "file", Path: filepath.ToSlash(abs)}
		wait := fmt.Sprintf("_pragma=busy_timeout(%d)", writeWait.Milliseconds())
		return u.String() + "?" + wait + "&_pragma=foreign_keys(1)&_pragma=cache_size(-32000)&" + query
	}
	w, err := sql.Open("sqlite", dsn("_pragma=journal_mode(WAL)&_pragma=synchronous(FULL)&_txlock=immediate"))
	if err != nil {
		return nil, err
	}
	w.SetMaxOpenConns(1)
	if err := w.PingContext(ctx); err != nil { // makes the file, before a reader looks for it
		return nil, errors.Join(explain(err), w.Close())
	}
	r, err := sql.Open("sqlite", dsn("_pragma=query_only(1)"))
	if err != nil {
		return nil, errors.Join(err, w.Close())
	}
	r.SetMaxOpenConns(readers)
	r.SetMaxIdleConns(readers)
	return &database{w: w, r: r}, nil
}

func openPostgres(ctx context.Context, dsn string) (*database, error) {
	config, err := pgx.ParseConfig(dsn)
	if err != nil {
		return nil, fail(Invalid, "The database address cannot be read. It looks like postgres://user@host/name", nil) // the cause may hold a password
	}
	// A plan made without the values takes the wrong index for what is rare.
	config.DefaultQueryExecMode = pgx.QueryExecModeCacheDescribe
	db := stdlib.OpenDB(*config)
	db.SetMaxOpenConns(pgConns)
	db.SetMaxIdleConns(pgIdleConns)
	db.SetConnMaxIdleTime(5 * time.Minute)
	if err := db.PingContext(ctx); err != nil {
		return nil, errors.Join(explain(err), db.Close())
	}
	return &database{postgres: true, w: db, r: db}, nil
}

func (d *database) close() error {
	if d.postgres {
		return d.w.Close()
	}
	return errors.Join(d.r.Close(), d.w.Close())
}

// migrate brings the tables to the version; 0: the newest.
func (d *database) migrate(ctx context.Context, version int64) error {
	dialect, folder := goose.DialectSQLite3, "migrations/sqlite"
	var opts []goose.ProviderOption
	if d.postgres {
		dialect, folder = goose.DialectPostgres, "migrations/postgres"
		locker, err := lock.NewPostgresSessionLocker() // several processes start at once
		if err != nil {
			return err
		}
		opts = append(opts, goose.WithSessionLocker(locker))
	}
	dir, err := fs.Sub(migrations, folder)
	if err != nil {
		return err
	}
	p, err := goose.NewProvider(dialect, d.w, dir, append(opts, goose.WithVerbose(false))...)
	if err != nil {
		return err
	}
	have, err := p.GetDBVersion(ctx)
	if err != nil {
		return fmt.Errorf("read the version of the tables: %w", explain(err))
	}
	sources := p.ListSources()
	if newest := sources[len(sources)-1].Version; have > newest {
		return fail(Conflict, fmt.Sprintf("The archive was made by a newer beltend (its tables have version %d, this program knows %d). Use the newer program", have, newest), nil)
	}
	if version == 0 {
		_, err = p.Up(ctx)
	} else {
		_, err = p.UpTo(ctx, version)
	}
	if err != nil {
		// Where two processes start with one new data folder, the other may have done it.
		if now, again := p.GetDBVersion(ctx); again == nil && version == 0 && now == sources[len(sources)-1].Version {
			return nil
		}
		return fmt.Errorf("bring the tables up to date: %w", explain(err))
	}
	return nil
}

// sql writes a statement for this database: PostgreSQL numbers its values.
func (d *database) sql(q string) string {
	if !d.postgres {
		return q
	}
	var b strings.Builder
	n := 0
	for _, r := range q {
		if r == '?' {
			n++
			b.WriteByte('$')
			b.WriteString(strconv.Itoa(n))
			continue
		}
		b.WriteRune(r)
	}
	return b.String()
}

// Tx is a transaction in which other packages keep tables of their own beside
// the archive's (accounts, tokens, sessions), with their event in the same
// transaction. SQL is written for both databases, with ? for each value and
// no question mark elsewhere.
type Tx struct {
	db    *database
	tx    *sql.Tx
	stmts map[string]*sql.Stmt       // prepared so far, by text
	head  Head                       // of the chain, in a transaction that writes
	asked func(q string, args []any) // is told of every query, for tests; nil: nobody
}

// Exec runs a statement and says how many rows it changed.
func (t *Tx) Exec(ctx context.Context, q string, args ...any) (int64, error) {
	run, err := t.runner(ctx, q)
	if err != nil {
		return 0, err
	}
	res, err := run.exec(ctx, args)
	if err != nil {
		return 0, explain(err)
	}
	n, err := res.RowsAffected()
	return n, explain(err)
}

// Rows runs a query and calls each for every row; scan is the row's Scan.
func (t *Tx) Rows(ctx context.Context, each func(scan func(dest ...any) error) error, q string, args ...any) error {
	if t.asked != nil {
		t.asked(q, args)
	}
	run, err := t.runner(ctx, q)
	if err != nil {
		return err
	}
	rows, err := run.query(ctx, args)
	if err != nil {
		return explain(err)
	}
	defer rows.Close()
	for rows.Next() {
		if err := each(rows.Scan); err != nil {
			return err
		}
	}
	return explain(rows.Err())
}

// Row reads one row into dest; NotFound when there is none.
func (t *Tx) Row(ctx context.Context, dest []any, q string, args ...any) error {
	err := fail(NotFound, "There is no such record.", nil)
	none := t.Rows(ctx, func(scan func(...any) error) error {
		err = nil
		return scan(dest...)
	}, q, args...)
	if none != nil {
		return none
	}
	return err
}

// runner runs one statement of a transaction.
type runner struct {
	tx   *sql.Tx
	text string
	stmt *sql.Stmt // SQLite alone: pgx remembers statements by itself
}

func (t *Tx) runner(ctx context.Context, q string) (runner, error) {
	t.db.statements.Add(1)
	if t.db.postgres {
		return runner{tx: t.tx, text: t.db.sql(q)}, nil
	}
	stmt := t.stmts[q]
	if stmt == nil {
		var err error
		if stmt, err = t.tx.PrepareContext(ctx, q); err != nil { // closed with the transaction
			return runner{}, explain(err)
		}
		if t.stmts == nil {
			t.stmts = map[string]*sql.Stmt{}
		}
		t.stmts[q] = stmt
	}
	return runner{stmt: stmt}, nil
}

func (r runner) exec(ctx context.Context, args []any) (sql.Result, error) {
	if r.stmt != nil {
		return r.stmt.ExecContext(ctx, args...)
	}
	return r.tx.ExecContext(ctx, r.text, args...)
}

func (r runner) query(ctx context.Context, args []any) (*sql.Rows, error) {
	if r.stmt != nil {
		return r.stmt.QueryContext(ctx, args...)
	}
	return r.tx.QueryContext(ctx, r.text, args...)
}

// Write runs fn in a transaction that may write; it is committed, durably, when
// fn gives no error. Transactions that write come one after the other, since
// each continues the chain of events; fn must not call Write, nor wait for what
// does. On PostgreSQL fn is run again when the database asks for that.
func (a *Archive) Write(ctx context.Context, fn func(tx *Tx) error) error {
	var err error
	for try := range 4 {
		if err = a.write(ctx, fn); !again(err) {
			return err
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(time.Duration(20<<try) * time.Millisecond):
		}
	}
	return err
}

func (a *Archive) write(ctx context.Context, fn func(tx *Tx) error) error {
	a.db.transactions.Add(1)
	stx, err := a.db.w.BeginTx(ctx, nil)
	if err != nil {
		return explain(err)
	}
	tx := &Tx{db: a.db, tx: stx}
	defer stx.Rollback() //nolint:errcheck // after a commit it does nothing
	lockRow := ""
	if a.db.postgres {
		lockRow = " FOR UPDATE"
	}
	if err := tx.Row(ctx, []any{&tx.head.Archive, &tx.head.Seq, &tx.head.Hash}, "SELECT archive, seq, hash FROM chain"+lockRow); err != nil {
		return err
	}
	began := tx.head.Seq
	if err := fn(tx); err != nil {
		return err
	}
	if tx.head.Seq != began {
		if _, err := tx.Exec(ctx, "UPDATE chain SET seq = ?, hash = ?", tx.head.Seq, tx.head.Hash); err != nil {
			return err
		}
	}
	return explain(stx.Commit())
}

// Read runs fn in a transaction that only reads, on one consistent state.
func (a *Archive) Read(ctx context.Context, fn func(tx *Tx) error) error {
	opts := &sql.TxOptions{ReadOnly: true}
	if a.db.postgres {
		opts.Isolation = sql.LevelRepeatableRead
	}
	a.db.transactions.Add(1)
	stx, err := a.db.r.BeginTx(ctx, opts)
	if err != nil {
		return explain(err)
	}
	defer stx.Rollback() //nolint:errcheck // nothing was written
	return fn(&Tx{db: a.db, tx: stx})
}

// again says whether the database asks for the transaction to be run again.
func again(err error) bool {
	var pg *pgconn.PgError
	return errors.As(err, &pg) && (pg.Code == "40001" || pg.Code == "40P01")
}

// Explain gives an error of a database its Kind, for packages with tables beside the
// archive's.
func Explain(err error) error { return explain(err) }

// explain gives an error of a database or a file its Kind. The databases' own
// texts stay inside as the cause.
func explain(err error) error {
	if err == nil || kindOf(err) != "" {
		return err
	}
	if errors.Is(err, context.Canceled) || errors.Is(err, context.DeadlineExceeded) {
		return err
	}
	var lite *sqlite.Error
	if errors.As(err, &lite) {
		if lite.Code() == sqlite3.SQLITE_IOERR_SHMSIZE {
			return full(err)
		}
		switch lite.Code() & 0xff {
		case sqlite3.SQLITE_FULL:
			return full(err)
		case sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB:
			return fail(Damaged, "The database file is damaged. Stop the service, run beltend archive verify, and restore the last backup", err)
		case sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED, sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_IOERR, sqlite3.SQLITE_READONLY, sqlite3.SQLITE_PERM:
			return fail(Unavailable, "The database file cannot be used at the moment", err)
		case sqlite3.SQLITE_INTERRUPT:
			return context.Canceled
		case sqlite3.SQLITE_CONSTRAINT:
			return constraint(err, lite.Code() == sqlite3.SQLITE_CONSTRAINT_FOREIGNKEY)
		}
		return err
	}
	var pg *pgconn.PgError
	if errors.As(err, &pg) {
		switch {
		case pg.Code == "53100":
			return full(err)
		case pg.Code == "23503":
			return constraint(err, true)
		case strings.HasPrefix(pg.Code, "23"):
			return constraint(err, false)
		case pg.Code == "57014":
			return context.Canceled
		case strings.HasPrefix(pg.Code, "08"), strings.HasPrefix(pg.Code, "57"), strings.HasPrefix(pg.Code, "53"), strings.HasPrefix(pg.Code, "28"), pg.Code == "3D000":
			return fail(Unavailable, "The database does not answer. Try again in a moment", err)
		}
		return err
	}
	if errors.Is(err, syscall.ENOSPC) || errors.Is(err, syscall.EDQUOT) {
		return full(err)
	}
	var connect *pgconn.ConnectError
	var network net.Error
	if errors.As(err, &connect) || errors.As(err, &network) || errors.Is(err, syscall.ECONNRESET) || errors.Is(err, syscall.EPIPE) ||
		strings.Contains(err.Error(), "unexpected EOF") || strings.Contains(err.Error(), "bad connection") || strings.Contains(err.Error(), "conn closed") {
		return fail(Unavailable, "The database does not answer. Try again in a moment", err)
	}
	return err
}

func full(err error) error {
	return fail(Full, "There is no room left on the disk; nothing was kept. Make room, then try again", err)
}

func constraint(err error, missing bool) error {
	if missing {
		return fail(Invalid, "The record names another that does not exist", err)
	}
	return fail(Conflict, "The record is there already, or may not be changed", err)
}
