module beltend

go 1.24.0

require (
	codeberg.org/go-pdf/fpdf v0.11.1 // indirect
	github.com/bep/imagemeta v0.12.0
	github.com/ebitengine/purego v0.8.3 // indirect
	github.com/gen2brain/heic v0.4.5
	github.com/tetratelabs/wazero v1.9.0 // indirect
	gocv.io/x/gocv v0.31.0 // indirect
	golang.org/x/image v0.36.0 // indirect
	golang.org/x/text v0.34.0 // indirect
	gonum.org/v1/gonum v0.17.0 // indirect
)
