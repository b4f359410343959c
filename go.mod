module proveout

go 1.26.0

require (
	codeberg.org/go-fonts/liberation v0.6.0
	github.com/BurntSushi/toml v1.6.0
	github.com/boombuler/barcode v1.0.1
	github.com/digitorus/timestamp v0.0.0-20231217203849-220c5c2851b7
	github.com/go-echarts/go-echarts/v2 v2.6.7
	github.com/golang/freetype v0.0.0-20170609003504-e2365dfdc4a0
	github.com/google/go-cmp v0.7.0
	github.com/gowebpki/jcs v1.0.2
	github.com/johnfercher/go-tree v1.0.5
	github.com/johnfercher/maroto/v2 v2.3.3
	github.com/pelletier/go-toml/v2 v2.4.3
	github.com/phpdave11/gofpdf v1.4.3
	github.com/rogpeppe/go-internal v1.16.0
	github.com/urfave/cli/v2 v2.27.7
	golang.org/x/image v0.47.0
	golang.org/x/net v0.61.0
	golang.org/x/sys v0.50.0
	golang.org/x/term v0.48.0
	golang.org/x/text v0.44.0
	gonum.org/v1/gonum v0.17.0
	pgregory.net/rapid v1.3.0
	software.sslmate.com/src/go-pkcs12 v0.7.4
)

require (
	github.com/clipperhouse/uax29/v2 v2.7.0 // indirect
	github.com/cpuguy83/go-md2man/v2 v2.0.7 // indirect
	github.com/digitorus/pkcs7 v0.0.0-20230818184609-3a137a874352 // indirect
	github.com/f-amaral/go-async v0.3.0 // indirect
	github.com/google/uuid v1.5.0 // indirect
	github.com/hhrutter/tiff v1.0.6 // indirect
	github.com/mattn/go-runewidth v0.0.30 // indirect
	github.com/pdfcpu/pdfcpu v0.15.0 // indirect
	github.com/russross/blackfriday/v2 v2.1.0 // indirect
	github.com/xrash/smetrics v0.0.0-20240521201337-686a1a2994c1 // indirect
	go.yaml.in/yaml/v3 v3.0.5 // indirect
	golang.org/x/crypto v0.58.0 // indirect
	golang.org/x/tools v0.52.0 // indirect
)
