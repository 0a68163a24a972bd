package grib

import (
	"context"
	"math/rand/v2"
	"os"
	"syscall"
	"testing"
)

// guarded copies b so that it ends where memory ends: a read past it faults.
func guarded(t *testing.T, b []byte) []byte {
	t.Helper()
	page := os.Getpagesize()
	size := (len(b) + page - 1) / page * page
	memory, err := syscall.Mmap(-1, 0, size+page, syscall.PROT_READ|syscall.PROT_WRITE, syscall.MAP_ANON|syscall.MAP_PRIVATE)
	if err != nil {
		t.Skip(err)
	}
	t.Cleanup(func() {
		if err := syscall.Munmap(memory); err != nil {
			t.Error(err)
		}
	})
	if err := syscall.Mprotect(memory[size:], syscall.PROT_NONE); err != nil {
		t.Skip(err)
	}
	copied := memory[size-len(b) : size : size]
	copy(copied, b)
	return copied
}

// The lanes load whole vectors: never past the end of the file's bytes.
func TestNoReadPastTheEnd(t *testing.T) {
	for _, path := range inventedFiles(t) {
		b, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := Decode(context.Background(), path, guarded(t, b), Options{Rare: inProcess{}}); err != nil {
			t.Error(err)
		}
	}
	r := rand.New(rand.NewPCG(5, 5))
	for range 300 {
		numbers, shape := randomShape(r)
		section5, section7, ok := complexOf(numbers, shape)
		if !ok || len(numbers) == 0 {
			continue
		}
		// Section 7 alone, without the four octets behind it.
		data := guarded(t, section7)
		m := Message{geometry: geometry{points: uint32(len(numbers))}}
		m.sections.representation, m.sections.bitmap, m.sections.data = section{b: section5}, section{b: noBitmap}, section{b: data}
		if _, err := inFileOrder(&m); err != nil {
			t.Fatal(err)
		}
	}
}
