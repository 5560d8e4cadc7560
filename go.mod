module beltend

go 1.24.0

require (
	gocv.io/x/gocv v0.31.0 // indirect
	gonum.org/v1/gonum v0.17.0 // indirect
)
