package logs

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"testing"

	"proveout/harness/reading"

	"pgregory.net/rapid"
)

func readFailures(text string, o FailureOptions) (rows []reading.Failure, sum FailureSummary, err error) {
	sum, err = ReadFailures("list.csv", strings.NewReader(text), o, func(row reading.Failure) error {
		rows = append(rows, row)
		return nil
	})
	return rows, sum, err
}

// TestFailureSpellings: the same row in the usual spellings of lists and of
// hexadecimal numbers (common practice, no source).
func TestFailureSpellings(t *testing.T) {
	for _, text := range []string{
		"address,written,read\n0x0012f4a8,0xdeadbeef,0xdeadbeee\n",
		"address,written,read\r\n0x0012f4a8,0xdeadbeef,0xdeadbeee\r\n",
		"\xef\xbb\xbfaddr;expected;actual\n0012F4A8h;DEADBEEFh;DEADBEEEh\n",
		"Addr\tWrote\tGot\n$0012f4a8\t$deadbeef\t$deadbeee\n",
		"# a memory test\naddr expected found\n0012f4a8  dead_beef   dead_beee\n",
		"0012:f4a8 deadbeef deadbeee\n",
		"Row | Address | Expected data | Read back\n1 | &H12F4A8 | &HDEADBEEF | &HDEADBEEE\n",
		"\"addr\",\"note\",\"exp\",\"act\"\n\"0x12f4a8\",\"a, b\",\"0xdeadbeef\",\"0xdeadbeee\"\n",
		"address (dec),write,read\n1242280,0xdeadbeef,0xdeadbeee\n",
		"16#12F4A8#,16#DEADBEEF#,16#DEADBEEE#\n",
		"addr,wr,rd\n32'h0012f4a8,32'hdeadbeef,32'hdeadbeee\n",
		"addr,written,error bits\n0x12f4a8,0xdeadbeef,0x00000001\n",
		"addr,actual,xor\n0x12f4a8UL,0xdeadbeeeUL,0x1UL\n",
		"A title, with a comma\nfailing address of the card\n\n" +
			"address,written,read\n0x12f4a8,0xdeadbeef,0xdeadbeee\naddress,written,read\n",
		"address,pattern,read\n0x12f4a8,0xdeadbeef,0xdeadbeee\n",
	} {
		rows, _, err := readFailures(text, FailureOptions{})
		want := reading.Failure{Address: 0x12f4a8, Written: 0xdeadbeef, Read: 0xdeadbeee, Bits: 32}
		if err != nil || len(rows) != 1 {
			t.Errorf("%q: %v %v", text, rows, err)
			continue
		}
		got := rows[0]
		if !math.IsNaN(got.Seconds) || !math.IsNaN(got.Celsius) {
			t.Errorf("%q: a time or temperature out of nowhere", text)
		}
		got.Seconds, got.Celsius = 0, 0
		if got != want {
			t.Errorf("%q: %+v", text, got)
		}
	}
}

func TestFailureColumns(t *testing.T) {
	rows, sum, err := readFailures("time,temp_c,pattern,addr,exp,act,pass\n"+
		"22:41:39,41.5,checkerboard,0xE0000010,0x55,0x54,3\n"+
		"22:41:40.5,,all ones,0xE0000011,0xff,0x7f,4\n", FailureOptions{Base: 0xe0000000})
	if err != nil || len(rows) != 2 || sum.Bits != 8 || len(sum.Columns) != 6 {
		t.Fatal(rows, sum, err)
	}
	a, b := rows[0], rows[1]
	if a.Address != 0x10 || a.Bits != 8 || a.PatternName != "checkerboard" || a.Celsius != 41.5 ||
		b.Seconds-a.Seconds != 1.5 || !math.IsNaN(b.Celsius) || b.PatternName != "all ones" {
		t.Errorf("%+v %+v", a, b)
	}
	rows, _, err = readFailures("time_ms,addr,exp,act,bits\n1500,10,5,4,16\n", FailureOptions{})
	if err != nil || rows[0].Seconds != 1.5 || rows[0].Bits != 16 {
		t.Errorf("%+v %v", rows, err)
	}
	rows, _, err = readFailures("10,5,4\n11,123456789,5\n", FailureOptions{Bits: 16})
	if err != nil || rows[0].Bits != 16 || rows[1].Bits != 64 {
		t.Errorf("%+v %v", rows, err)
	}
	var wide bytes.Buffer
	for _, r := range "address,written,read\n0x10,0x5,0x4\n" {
		wide.Write([]byte{byte(r), 0})
	}
	if rows, _, err = readFailures(wide.String(), FailureOptions{}); err != nil || len(rows) != 1 {
		t.Errorf("UTF-16: %v %v", rows, err)
	}
}

func TestEmptyLists(t *testing.T) {
	remark := "# March C- over 16 MiB: no failures\n"
	for _, text := range []string{"address,written,read\n", remark, "address,written,read"} {
		if rows, sum, err := readFailures(text, FailureOptions{}); err != nil || len(rows) != 0 || sum.Bad != 0 {
			t.Errorf("%q: %v %v", text, rows, err)
		}
	}
}

// TestBadLists: what is wrong is told with its place; a list that is none is
// never taken for an empty one.
func TestBadLists(t *testing.T) {
	for _, tt := range []struct{ text, want string }{
		{"", "list.csv:1:1: the list is empty"},
		{"\n \n", "list.csv:1:1: the list is empty"},
		{"All tests passed.\n", "list.csv:1:1: no column holds the address"},
		{"time_s,temp_c\n0,20.5\n", "list.csv:1:1: no column holds the address"},
		{"address,chip\n10,5\n", "list.csv:1:1: the header names an address, but not both"},
		{"word address,written,read\n1,2,3\n", `column "word address" counts in words`},
		{"address,written,read\n0x10,0x5,zebra\n", `list.csv:2:10: "zebra" is not a hexadecimal number`},
		{"address,written,read\n0x10,0x5\n", "list.csv:2:9: the row ends before"},
		{"address,written,read\n0x10,0x5,0x4 V\n", `list.csv:2:14: "V" stands behind a number`},
		{"address,written,read\n0x10,0x5,0x11223344556677889\n", `has more than 64 bits`},
		{"\x00\x01\x02\x03", "the file is not text"},
	} {
		_, _, err := readFailures(tt.text, FailureOptions{})
		var p *Problem
		if !errors.As(err, &p) || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%q: %v, want %q", tt.text, err, tt.want)
		}
	}
	rows, sum, err := readFailures("address,written,read\n0x10,0x5,0x4\nTotal: 1 failure\n", FailureOptions{})
	if err != nil || len(rows) != 1 || sum.Bad != 1 || sum.BadRows[0].Line != 3 {
		t.Errorf("a closing remark: %v %+v %v", rows, sum, err)
	}
	if _, _, err := readFailures("a", FailureOptions{Bits: 12}); err == nil {
		t.Error("values of 12 bits were taken")
	}
}

// TestFailuresRoundTrip writes rows in a random dialect and reads them again.
func TestFailuresRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		delim := rapid.SampledFrom([]string{",", ";", "\t", "|", " ", ", "}).Draw(t, "delimiter")
		spell := rapid.SampledFrom([]string{"0x%0*x", "%0*Xh", "$%0*x", "%0*x", "&H%0*X", "0X%0*X"}).Draw(t, "spelling")
		end := rapid.SampledFrom([]string{"\n", "\r\n"}).Draw(t, "line end")
		bits := rapid.SampledFrom([]int{8, 16, 32, 64}).Draw(t, "bits")
		n := rapid.IntRange(1, 40).Draw(t, "rows")
		var text strings.Builder
		if rapid.Bool().Draw(t, "header") {
			text.WriteString(strings.Join([]string{"addr", "expected", "actual"}, delim) + end)
		}
		var want []reading.Failure
		mask := uint64(math.MaxUint64) >> uint(64-bits)
		for range n {
			f := reading.Failure{
				Address: rapid.Int64Range(0, 1<<40).Draw(t, "address"), Bits: bits,
				Written: rapid.Uint64().Draw(t, "written") & mask, Read: rapid.Uint64().Draw(t, "read") & mask,
			}
			want = append(want, f)
			w := func(v uint64) string { return fmt.Sprintf(spell, bits/4, v) }
			text.WriteString(strings.Join([]string{w(uint64(f.Address)), w(f.Written), w(f.Read)}, delim) + end)
		}
		rows, _, err := readFailures(text.String(), FailureOptions{})
		if err != nil || len(rows) != len(want) {
			t.Fatalf("%q: %d rows, %v", text.String(), len(rows), err)
		}
		for i := range rows {
			rows[i].Seconds, rows[i].Celsius = 0, 0
		}
		if !slices.Equal(rows, want) {
			t.Fatalf("%q: %v", text.String(), rows)
		}
	})
}

func TestFailuresInOrder(t *testing.T) {
	var text bytes.Buffer
	text.WriteString("a title\naddress,written,read\n")
	const n = 20_000
	for i := range n {
		fmt.Fprintf(&text, "0x%08x,0x%08x,0x%08x\n", i, i*7, i*7^1)
		if i == 15_000 {
			text.WriteString("oops\n")
		}
	}
	next := int64(0)
	sum, err := ReadFailures("x", bytes.NewReader(text.Bytes()), FailureOptions{}, func(r reading.Failure) error {
		if r.Address != next || r.Written != uint64(next*7) {
			return fmt.Errorf("row %d is %+v", next, r)
		}
		next++
		return nil
	})
	if err != nil || sum.Rows != n || sum.Bad != 1 || sum.BadRows[0].Line != 15_004 {
		t.Errorf("%+v %v", sum, err)
	}
	open := func(reading.Evidence) (io.ReadCloser, error) { return io.NopCloser(bytes.NewReader(text.Bytes())), nil }
	for range Files(open).Failures(&reading.Log{Failures: &FailureOptions{}}) {
		break // stopping early leaves nothing behind
	}
}

func FuzzReadFailures(f *testing.F) {
	for _, s := range []string{
		"address,written,read\n0x10,0x5,0x4\n", "16#12#,32'h5,&H4\n", "# r\n#1F,$2,3h\n",
		"time,addr,exp,act\n2026-11-24T22:41:39Z,1,2,3\n", "addr,exp,xor,temp_f\n\"1\",2,3,98.6\n",
		"\xff\xfea\x00", "addr;w;r\n;\n;;\n;;;\n", "0x", "addr w r\n1 2 3 \n", "address,written,read\n1,2,\n'",
	} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		n := int64(0)
		sum, err := ReadFailures("x", bytes.NewReader(data), FailureOptions{}, func(r reading.Failure) error {
			if r.Bits != 8 && r.Bits != 16 && r.Bits != 32 && r.Bits != 64 {
				t.Fatalf("%+v", r)
			}
			n++
			return nil
		})
		if err == nil && (sum.Rows != n || n > int64(bytes.Count(data, []byte("\n"))+1)) {
			t.Fatalf("%d rows, %+v", n, sum)
		}
	})
}

// failureList writes a list of one open data line on a 16 MiB board.
func failureList(w *bufio.Writer, rows int) {
	w.WriteString("address,written,read\n")
	x := uint64(88172645463325252)
	var b []byte
	for range rows {
		x ^= x << 13
		x ^= x >> 7
		x ^= x << 17
		address, value := x>>8&0xfffffc, x>>32
		b = append(b[:0], "0x"...)
		b = hex8(b, address)
		b = append(b, ",0x"...)
		b = hex8(b, value)
		b = append(b, ",0x"...)
		b = hex8(b, value^1<<(x>>3&7))
		w.Write(append(b, '\n'))
	}
}

func hex8(b []byte, v uint64) []byte {
	const digits = "0123456789abcdef"
	for s := 28; s >= 0; s -= 4 {
		b = append(b, digits[v>>uint(s)&15])
	}
	return b
}

func BenchmarkReadFailures(b *testing.B) {
	var buf bytes.Buffer
	w := bufio.NewWriter(&buf)
	failureList(w, 1_000_000)
	w.Flush()
	b.SetBytes(int64(buf.Len()))
	for b.Loop() {
		if s, err := ReadFailures("x", bytes.NewReader(buf.Bytes()), FailureOptions{}, nil); err != nil || s.Rows != 1_000_000 {
			b.Fatal(s.Rows, err)
		}
	}
	b.ReportMetric(float64(b.N)*1e6/b.Elapsed().Seconds(), "rows/s")
}

// The radix and the unit of addresses come from the header, from how the numbers
// are spelled, or from a person; nothing is assumed (the cases by hand).
func TestFailureNumbers(t *testing.T) {
	const dec, head = "address (dec),written,read\n", "address,written,read\n"
	for _, tt := range []struct {
		text    string
		o       FailureOptions
		address int64
		read    uint64
		bits    int
		refused string // of the reading or of the doubt
	}{
		{dec + "1242280,0xff,0xfe\n", FailureOptions{}, 1242280, 0xfe, 8, ""},
		{dec + "1242280,ff,fe\n", FailureOptions{}, 1242280, 0xfe, 8, ""},
		{"addr_dec;exp_dec;act_dec\n1242280;255;254\n", FailureOptions{}, 1242280, 254, 8, ""},
		{"addr (hex),exp (hex),act (hex)\n1242280,255,254\n", FailureOptions{}, 0x1242280, 0x254, 16, ""},
		{"addr,exp (bin),act (bin)\n0x1242280,11111111,11111110\n", FailureOptions{}, 0x1242280, 0xfe, 8, ""},
		{dec + "1242280,255,254\n", FailureOptions{}, 0, 0, 0, "hexadecimal or decimal"},
		{dec + "1242280,255,254\n", FailureOptions{Radix: 10}, 1242280, 254, 8, ""},
		{head + "1242280,255,254\n", FailureOptions{}, 0, 0, 0, "hexadecimal or decimal"},
		{head + "1242280,255,254\n", FailureOptions{Radix: 10}, 1242280, 254, 8, ""},
		{head + "1242280,255,254\n", FailureOptions{Radix: 16}, 0x1242280, 0x254, 16, ""},
		{head + "01242280,55,54\n", FailureOptions{}, 0x1242280, 0x54, 8, ""}, // padded
		{head + "1242280,55,5f\n", FailureOptions{}, 0x1242280, 0x5f, 8, ""},
		{"1242280 55 54\n", FailureOptions{}, 0, 0, 0, "hexadecimal or decimal"},
		{dec + "0x1242280,ff,fe\n", FailureOptions{}, 0, 0, 0, "is not a decimal number"},
		{dec + "1242280h,ff,fe\n", FailureOptions{}, 0, 0, 0, "is not a decimal number"},
		{"address,written (bin),read (bin)\n0x10,11111111,11111112\n", FailureOptions{}, 0, 0, 0, "is not a binary number"},
		{head + "0x1001,0x000000ff,0x000000fe\n", FailureOptions{}, 0, 0, 0, "say so with --address-unit 4"},
		{head + "0x1001,0x000000ff,0x000000fe\n", FailureOptions{Unit: 4}, 0x4004, 0xfe, 32, ""},
		{head + "0x1004,0x000000ff,0x000000fe\n", FailureOptions{}, 0x1004, 0xfe, 32, ""},
		{"word address,written,read\n0x1001,0x00ff,0x00fe\n", FailureOptions{}, 0, 0, 0, "counts in words"},
		{"word address,written,read\n0x1001,0x00ff,0x00fe\n", FailureOptions{Unit: 2}, 0x2002, 0xfe, 16, ""},
		{"address [KiB],written,read\n0x10,0xff,0xfe\n", FailureOptions{}, 0, 0, 0, "counts in KiB"},
		{head + "0xffffffffffffff,0xff,0xfe\n", FailureOptions{Unit: 1024}, 0, 0, 0, "beyond every memory"},
		{dec + "99999999999999999999,ff,fe\n", FailureOptions{}, 0, 0, 0, "more than 64 bits"},
	} {
		rows, sum, err := readFailures(tt.text, tt.o)
		if err == nil {
			err = sum.Doubt("list.csv")
		}
		if tt.refused != "" {
			if err == nil || !strings.Contains(err.Error(), tt.refused) {
				t.Errorf("%q: %v, want %q", tt.text, err, tt.refused)
			}
			continue
		}
		if err != nil || len(rows) != 1 || rows[0].Address != tt.address || rows[0].Read != tt.read || rows[0].Bits != tt.bits {
			t.Errorf("%q: %+v, %v", tt.text, rows, err)
		}
	}
}
