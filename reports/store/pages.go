package store

import (
	"encoding/binary"
	"hash/crc32"
	"strings"
	"sync"
	"unsafe"

	"modernc.org/libc"
	sqlite3 "modernc.org/sqlite/lib"
)

// SQLite keeps no check sums of its pages: a bit that turns over on the disk
// changes an answer, or blames a good report. So the index is read and written
// through a layer of file access (a VFS, sqlite.org/vfs.html) that ends each page
// of the file in the sum of the page and of its number, and refuses to hand out
// one that does not fit: what was written is read, or it is an error that
// [isDamage] knows. Pages of a rollback journal hold the same sums and are held to
// them before they are put back. There is no shared memory in this layer, and so
// no write-ahead log: the index is one file, which whoever may read can read.
//
// New files get the page size and the room for the sums from it.

// pagesVFS is the layer's name for SQLite.
const pagesVFS = "fullthrow-pages"

const (
	// pageSize in bytes, by measurement: with 8 KiB a file takes a sixth less room
	// than with 4 KiB and sums of readings come a fifth sooner; 16 KiB gain no more.
	pageSize = 8192
	// sumSize is the room at the end of a page: two sums of 32 bits.
	sumSize = 8
)

// pageSum is the sum of a page (without its last bytes) and of its number: a page
// that was swapped for another does not fit, nor does one of zeros.
func pageSum(page []byte, number uint32) uint64 {
	var n [4]byte
	binary.BigEndian.PutUint32(n[:], number)
	page = page[:len(page)-sumSize]
	a := crc32.Update(crc32.Update(0, castagnoli(), n[:]), castagnoli(), page)
	b := crc32.Update(crc32.Update(0, crc32.IEEETable, n[:]), crc32.IEEETable, page)
	return uint64(a)<<32 | uint64(b)
}

var castagnoli = sync.OnceValue(func() *crc32.Table { return crc32.MakeTable(crc32.Castagnoli) })

func signPage(page []byte, number uint32) {
	binary.BigEndian.PutUint64(page[len(page)-sumSize:], pageSum(page, number))
}

func pageFits(page []byte, number uint32) bool {
	return binary.BigEndian.Uint64(page[len(page)-sumSize:]) == pageSum(page, number)
}

// pagedFile is what SQLite holds of an open file: the methods, and behind them the
// file as the system's own layer holds it.
type pagedFile struct {
	methods uintptr
	journal uintptr // 1: a rollback journal
}

const pagedFileSize = unsafe.Sizeof(pagedFile{})

// memory is what lies at an address that SQLite gave: never the garbage collector's.
func memory(address uintptr) unsafe.Pointer { return *(*unsafe.Pointer)(unsafe.Pointer(&address)) }

func own(file uintptr) *pagedFile { return (*pagedFile)(memory(file)) }

// below is the file in the system's layer, and its methods.
func below(file uintptr) (uintptr, *sqlite3.Tsqlite3_io_methods) {
	f := file + pagedFileSize
	return f, (*sqlite3.Tsqlite3_io_methods)(memory((*pagedFile)(memory(f)).methods))
}

// call is the function that a table of methods holds.
func call[F any](method uintptr) F { return *(*F)(unsafe.Pointer(&method)) }

// method is the entry of a function in a table of methods.
func method[F any](f F) uintptr {
	kept := new(F)
	*kept = f
	keptMethods = append(keptMethods, kept)
	return *(*uintptr)(unsafe.Pointer(kept))
}

var (
	keptMethods  []any // what SQLite points to
	pagesMethods uintptr
	systemVFS    uintptr
)

type (
	fileFn   = func(*libc.TLS, uintptr) int32
	readFn   = func(*libc.TLS, uintptr, uintptr, int32, int64) int32
	numberFn = func(*libc.TLS, uintptr, int64) int32
	wordFn   = func(*libc.TLS, uintptr, int32) int32
	outFn    = func(*libc.TLS, uintptr, uintptr) int32
	opFn     = func(*libc.TLS, uintptr, int32, uintptr) int32
	accessFn = func(*libc.TLS, uintptr, uintptr, int32, uintptr) int32
	openFn   = func(*libc.TLS, uintptr, uintptr, uintptr, int32, uintptr) int32
)

// pages registers the layer, once.
var pages = sync.OnceFunc(func() {
	tls := libc.NewTLS()
	sqlite3.Xsqlite3_initialize(tls)
	systemVFS = sqlite3.Xsqlite3_vfs_find(tls, 0)
	system := (*sqlite3.Tsqlite3_vfs)(memory(systemVFS))
	name, err := libc.CString(pagesVFS)
	if err != nil {
		panic(err) // no memory
	}
	pagesMethods = libc.Xcalloc(tls, 1, libc.Tsize_t(unsafe.Sizeof(sqlite3.Tsqlite3_io_methods{})))
	*(*sqlite3.Tsqlite3_io_methods)(memory(pagesMethods)) = sqlite3.Tsqlite3_io_methods{
		FiVersion:               1,
		FxClose:                 method[fileFn](closePaged),
		FxRead:                  method[readFn](readPaged),
		FxWrite:                 method[readFn](writePaged),
		FxTruncate:              method[numberFn](truncatePaged),
		FxSync:                  method[wordFn](syncPaged),
		FxFileSize:              method[outFn](sizePaged),
		FxLock:                  method[wordFn](lockPaged),
		FxUnlock:                method[wordFn](unlockPaged),
		FxCheckReservedLock:     method[outFn](reservedPaged),
		FxFileControl:           method[opFn](controlPaged),
		FxSectorSize:            method[fileFn](sectorPaged),
		FxDeviceCharacteristics: method[fileFn](devicePaged),
	}
	layer := libc.Xcalloc(tls, 1, libc.Tsize_t(unsafe.Sizeof(sqlite3.Tsqlite3_vfs{})))
	v := (*sqlite3.Tsqlite3_vfs)(memory(layer))
	*v = *system // all that names files: its functions take any VFS
	v.FpNext, v.FzName = 0, name
	v.FszOsFile = system.FszOsFile + int32(pagedFileSize)
	v.FxOpen = method[openFn](openPaged)
	v.FxAccess = method[accessFn](accessPaged)
	sqlite3.Xsqlite3_vfs_register(tls, layer, 0)
})

func openPaged(tls *libc.TLS, _, name, file uintptr, flags int32, outFlags uintptr) int32 {
	open := call[openFn]((*sqlite3.Tsqlite3_vfs)(memory(systemVFS)).FxOpen)
	if flags&(sqlite3.SQLITE_OPEN_MAIN_DB|sqlite3.SQLITE_OPEN_MAIN_JOURNAL) == 0 {
		return open(tls, systemVFS, name, file, flags, outFlags)
	}
	*own(file) = pagedFile{}
	f := file + pagedFileSize
	rc := open(tls, systemVFS, name, f, flags, outFlags)
	if (*pagedFile)(memory(f)).methods != 0 { // to be closed, then, even where it failed
		own(file).methods = pagesMethods
	}
	if flags&sqlite3.SQLITE_OPEN_MAIN_JOURNAL != 0 {
		own(file).journal = 1
	}
	return rc
}

// accessPaged says that there is no write-ahead log: one that lies there was put there.
func accessPaged(tls *libc.TLS, _, name uintptr, flags int32, out uintptr) int32 {
	if strings.HasSuffix(libc.GoString(name), "-wal") {
		*(*int32)(memory(out)) = 0
		return sqlite3.SQLITE_OK
	}
	access := call[accessFn]((*sqlite3.Tsqlite3_vfs)(memory(systemVFS)).FxAccess)
	return access(tls, systemVFS, name, flags, out)
}

func readPaged(tls *libc.TLS, file, buffer uintptr, n int32, offset int64) int32 {
	f, m := below(file)
	read := call[readFn](m.FxRead)
	rc := read(tls, f, buffer, n, offset)
	page := unsafe.Slice((*byte)(memory(buffer)), n)
	if own(file).journal == 1 {
		return readJournal(tls, f, read, page, offset, rc)
	}
	if rc == sqlite3.SQLITE_IOERR_SHORT_READ && offset == 0 && n == 100 {
		size := tls.Alloc(8)
		defer tls.Free(8)
		if call[outFn](m.FxFileSize)(tls, f, size) == sqlite3.SQLITE_OK && *(*int64)(memory(size)) == 0 {
			page[16], page[17], page[20] = pageSize>>8, pageSize&0xff, sumSize // fileformat2.html, 1.3
		}
		return rc
	}
	if n < 512 || n&(n-1) != 0 { // a part of the head
		return rc
	}
	if rc == sqlite3.SQLITE_IOERR_SHORT_READ || rc == sqlite3.SQLITE_OK &&
		(n != pageSize || offset%pageSize != 0 || !pageFits(page, uint32(offset/pageSize)+1)) {
		return sqlite3.SQLITE_IOERR_DATA
	}
	return rc
}

// readJournal holds the records of a journal (number, page, sum; fileformat2.html,
// 3) to the sums of their pages. SQLite's own sum is of every 200th byte, and where
// it does not fit the rest is left out in silence.
func readJournal(tls *libc.TLS, f uintptr, read readFn, page []byte, offset int64, rc int32) int32 {
	if rc != sqlite3.SQLITE_OK || len(page) != pageSize || offset < 4 {
		return rc
	}
	word := tls.Alloc(4)
	defer tls.Free(4)
	number := func(place int64) (uint32, bool) {
		ok := read(tls, f, word, 4, place) == sqlite3.SQLITE_OK
		return binary.BigEndian.Uint32(unsafe.Slice((*byte)(memory(word)), 4)), ok
	}
	n, ok1 := number(offset - 4)
	had, ok2 := number(offset + pageSize)
	sum, ok3 := number(12)
	for i := pageSize - 200; i > 0; i -= 200 {
		sum += uint32(page[i])
	}
	if !ok1 || !ok2 || !ok3 || had != sum || !pageFits(page, n) {
		return sqlite3.SQLITE_IOERR_DATA
	}
	return rc
}

func writePaged(tls *libc.TLS, file, buffer uintptr, n int32, offset int64) int32 {
	f, m := below(file)
	if own(file).journal == 0 && n == pageSize && offset%pageSize == 0 {
		signPage(unsafe.Slice((*byte)(memory(buffer)), n), uint32(offset/pageSize)+1)
	}
	return call[readFn](m.FxWrite)(tls, f, buffer, n, offset)
}

func closePaged(tls *libc.TLS, file uintptr) int32 {
	f, m := below(file)
	return call[fileFn](m.FxClose)(tls, f)
}

func truncatePaged(tls *libc.TLS, file uintptr, size int64) int32 {
	f, m := below(file)
	return call[numberFn](m.FxTruncate)(tls, f, size)
}

func syncPaged(tls *libc.TLS, file uintptr, flags int32) int32 {
	f, m := below(file)
	return call[wordFn](m.FxSync)(tls, f, flags)
}

func sizePaged(tls *libc.TLS, file, size uintptr) int32 {
	f, m := below(file)
	return call[outFn](m.FxFileSize)(tls, f, size)
}

func lockPaged(tls *libc.TLS, file uintptr, lock int32) int32 {
	f, m := below(file)
	return call[wordFn](m.FxLock)(tls, f, lock)
}

func unlockPaged(tls *libc.TLS, file uintptr, lock int32) int32 {
	f, m := below(file)
	return call[wordFn](m.FxUnlock)(tls, f, lock)
}

func reservedPaged(tls *libc.TLS, file, out uintptr) int32 {
	f, m := below(file)
	return call[outFn](m.FxCheckReservedLock)(tls, f, out)
}

func controlPaged(tls *libc.TLS, file uintptr, op int32, arg uintptr) int32 {
	f, m := below(file)
	return call[opFn](m.FxFileControl)(tls, f, op, arg)
}

func sectorPaged(tls *libc.TLS, file uintptr) int32 {
	f, m := below(file)
	return call[fileFn](m.FxSectorSize)(tls, f)
}

func devicePaged(tls *libc.TLS, file uintptr) int32 {
	f, m := below(file)
	return call[fileFn](m.FxDeviceCharacteristics)(tls, f)
}
