package capture

import (
	"bytes"
	"errors"
	"io"
	"runtime"
	"strings"
	"testing"
	"testing/iotest"

	"github.com/klauspost/compress/gzip"
	"github.com/klauspost/compress/zstd"
)

// pack compresses each part on its own and puts them one behind the other:
// several gzip members, several zstd frames.
func pack(t testing.TB, compression string, parts ...[]byte) []byte {
	t.Helper()
	var buf bytes.Buffer
	for _, part := range parts {
		var w io.WriteCloser = gzip.NewWriter(&buf)
		if compression == zstdName {
			z, err := zstd.NewWriter(&buf, zstd.WithEncoderConcurrency(1))
			if err != nil {
				t.Fatal(err)
			}
			w = z
		}
		if _, err := w.Write(part); err != nil {
			t.Fatal(err)
		}
		if err := w.Close(); err != nil {
			t.Fatal(err)
		}
	}
	return buf.Bytes()
}

func unpack(data []byte) ([]byte, error) {
	r, err := decompress(bytes.NewReader(data), compressionOf(data))
	if err != nil {
		return nil, err
	}
	defer r.Close()
	return io.ReadAll(r)
}

func TestCompressionOf(t *testing.T) {
	for _, row := range []struct{ head, want string }{
		{"\x1f\x8b\x08\x00", gzipName},
		{"\x28\xb5\x2f\xfd", zstdName},
		{"\x50\x2a\x4d\x18", zstdName}, // RFC 8878 section 3.1.2: skippable frames 0x184D2A50..5F
		{"\x5f\x2a\x4d\x18", zstdName},
		{"\x60\x2a\x4d\x18", ""},
		{"\x50\x2a\x4d", ""},
		{"\x1f", ""},
		{"", ""},
		{"(123", ""},
	} {
		if got := compressionOf([]byte(row.head)); got != row.want {
			t.Errorf("compressionOf(%x) = %q, want %q", row.head, got, row.want)
		}
	}
}

func TestDecompressSeveralParts(t *testing.T) {
	for _, c := range []string{gzipName, zstdName} {
		got, err := unpack(pack(t, c, []byte("one "), nil, []byte("two")))
		if err != nil || string(got) != "one two" {
			t.Errorf("%s: %q, %v", c, got, err)
		}
	}
	skippable := append([]byte("\x51\x2a\x4d\x18\x03\x00\x00\x00abc"), pack(t, zstdName, []byte("x"))...)
	if got, err := unpack(skippable); err != nil || string(got) != "x" {
		t.Errorf("zstd behind a skippable frame: %q, %v", got, err)
	}
}

// Cut at every byte: what comes out is always a prefix of the content, and
// every cut inside the stream is reported.
func TestDecompressCut(t *testing.T) {
	text := []byte(strings.Repeat("(1.000000) can0 123#1122334455667788\n", 40))
	for _, c := range []string{gzipName, zstdName} {
		whole := pack(t, c, text)
		for n := 4; n < len(whole); n++ {
			got, err := unpack(whole[:n])
			if _, ok := errors.AsType[*damageError](err); !ok {
				t.Fatalf("%s cut at %d of %d: error %v, want a damageError", c, n, len(whole), err)
			}
			if !strings.Contains(err.Error(), "cut") {
				t.Errorf("%s cut at %d: %q does not say that it is cut", c, n, err)
			}
			if !bytes.HasPrefix(text, got) {
				t.Fatalf("%s cut at %d gave bytes that were never written", c, n)
			}
		}
		double := pack(t, c, text, text)
		if got, err := unpack(double[:len(double)-1]); err == nil || !bytes.HasPrefix(got, text) {
			t.Errorf("%s: cut in the second part gave %d bytes, %v; want all of the first and an error", c, len(got), err)
		}
	}
}

func TestDecompressDamage(t *testing.T) {
	for _, c := range []string{gzipName, zstdName} {
		whole := pack(t, c, []byte(strings.Repeat("abcdefgh", 100)))
		whole[len(whole)-1] ^= 0x55 // gzip: the length; zstd: the checksum
		var damage *damageError
		if _, err := unpack(whole); !errors.As(err, &damage) || !strings.Contains(err.Error(), "damaged") {
			t.Errorf("%s with a wrong check: %v", c, err)
		}
		trailing := append(pack(t, c, []byte("good")), "something else entirely"...)
		if got, err := unpack(trailing); !errors.As(err, &damage) || string(got) != "good" {
			t.Errorf("%s with bytes behind it: %q, %v", c, got, err)
		}
	}
}

// An error of the disk is not damage of the data.
func TestDecompressReadError(t *testing.T) {
	disk := errors.New("input/output error")
	for _, c := range []string{gzipName, zstdName} {
		whole := pack(t, c, []byte(strings.Repeat("abcdefgh", 100)))
		src := io.MultiReader(bytes.NewReader(whole[:len(whole)-6]), iotest.ErrReader(disk))
		r, err := decompress(src, c)
		if err == nil {
			_, err = io.ReadAll(r)
		}
		if !errors.Is(err, disk) {
			t.Errorf("%s: error %v, want that of the disk", c, err)
		}
	}
}

// A window that a hostile header claims is refused before it is allocated.
func TestDecompressWindow(t *testing.T) {
	// RFC 8878 section 3.1.1: magic, descriptor 0 (no size, no checksum), window
	// descriptor 0xA0 = 2^(10+20) bytes = 1 GiB, one empty raw last block.
	huge := []byte{0x28, 0xB5, 0x2F, 0xFD, 0x00, 0xA0, 0x01, 0x00, 0x00}
	if _, err := unpack(huge); !errors.Is(err, zstd.ErrWindowSizeExceeded) {
		t.Errorf("window of 1 GiB: %v, want %v", err, zstd.ErrWindowSizeExceeded)
	}
	huge[5] = 17 << 3 // 2^(10+17) = 128 MiB, the largest that is taken
	if _, err := unpack(huge); err != nil {
		t.Errorf("window of 128 MiB: %v", err)
	}
}

// bomb is a compressed stream of size zero bytes.
func bomb(t testing.TB, compression string, size int) []byte {
	t.Helper()
	chunk := make([]byte, 1<<20)
	parts := make([][]byte, size/len(chunk))
	for i := range parts {
		parts[i] = chunk
	}
	return pack(t, compression, parts...)
}

// Memory does not grow with what a bomb expands to.
func TestDecompressBomb(t *testing.T) {
	const size = 48 << 20
	for _, c := range []string{gzipName, zstdName} {
		data := bomb(t, c, size)
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		r, err := decompress(bytes.NewReader(data), c)
		if err != nil {
			t.Fatal(err)
		}
		n, err := io.Copy(io.Discard, r)
		runtime.ReadMemStats(&after)
		if err != nil || n != size {
			t.Errorf("%s: %d bytes, %v; want %d", c, n, err, size)
		}
		if used := after.TotalAlloc - before.TotalAlloc; used > size/4 {
			t.Errorf("%s: %d bytes allocated for %d compressed and %d plain ones", c, used, len(data), size)
		}
	}
}
