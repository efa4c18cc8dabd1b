package pgtest

import (
	"os"
	"testing"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"
)

// What was committed must be there after a stop and after a kill, and nothing
// may be left when the test has ended.
func TestServerStopsDiesAndComesBack(t *testing.T) {
	var dir string
	t.Run("server", func(t *testing.T) {
		s := Start(t)
		dir = s.dir
		ctx, dsn := t.Context(), s.NewDatabase(t)
		require.NotEqual(t, dsn, s.NewDatabase(t), "each database is a new one")

		do := func(sql string) {
			conn, err := pgx.Connect(ctx, dsn)
			require.NoError(t, err)
			defer conn.Close(ctx)
			_, err = conn.Exec(ctx, sql)
			require.NoError(t, err)
		}
		count := func() (n int) {
			conn, err := pgx.Connect(ctx, dsn)
			require.NoError(t, err)
			defer conn.Close(ctx)
			require.NoError(t, conn.QueryRow(ctx, "SELECT count(*) FROM kept").Scan(&n))
			return n
		}
		do("CREATE TABLE kept (n int)")

		for i, end := range []func(){s.Stop, s.Kill, func() { s.Kill(); s.Stop() }, func() {}} {
			do("INSERT INTO kept VALUES (1)")
			open, err := pgx.Connect(ctx, dsn)
			require.NoError(t, err)
			tx, err := open.Begin(ctx)
			require.NoError(t, err)
			_, err = tx.Exec(ctx, "INSERT INTO kept VALUES (2)")
			require.NoError(t, err)
			end()
			if i < 3 {
				_, err = pgx.Connect(ctx, dsn)
				require.Error(t, err, "a stopped server does not answer")
			}
			s.Restart()
			require.Error(t, tx.Commit(ctx), "its connections are gone")
			require.Equal(t, i+1, count())
		}
	})
	if dir != "" {
		require.NoDirExists(t, dir)
		_, err := os.Stat(dir + "/data/postmaster.pid")
		require.ErrorIs(t, err, os.ErrNotExist)
	}
}
