package archive

// spare is what stays free on a data folder's disk when photos come: both databases grow
// by some 8 MB between two tidyings of their write-ahead logs, and everything taken in
// must still be measured, kept and signed off.
const spare = 32 << 20 // bytes

// Room answers Full where the disk of a data folder, or of a folder that all share, has
// too little room for another photo and what becomes of it. Of a store that speaks S3
// and of a database elsewhere it knows nothing: they tell when they are full.
func (a *Archive) Room() error {
	f, ok := a.files.(*folder)
	if !ok {
		return nil
	}
	if free, known := Free(f.path); known && free < spare {
		return full(nil)
	}
	return nil
}
