// Command confusion computes what identify answers for cars that are known, and
// prints it as the document that profiles/confusion/matrix.md is:
//
//	go run ./cmd/confusion > profiles/confusion/matrix.md
//
// It ends with exit code 1 where an answer breaks what identify promises.
package main

import (
	"context"
	"fmt"
	"io"
	"os"

	"plugproof/profiles/confusion"
)

func main() {
	if err := run(context.Background(), os.Stdout); err != nil {
		fmt.Fprintln(os.Stderr, "confusion:", err)
		os.Exit(1)
	}
}

func run(ctx context.Context, w io.Writer) error {
	m, err := confusion.Compute(ctx, nil)
	if err != nil {
		return err
	}
	if _, err := io.WriteString(w, m.Markdown()); err != nil {
		return err
	}
	if len(m.Broken) > 0 {
		return fmt.Errorf("%d answers break a promise, the first: %s", len(m.Broken), m.Broken[0])
	}
	return nil
}
