// Package joint looks at the two ends of a joint together: how far the belt
// bends there and the hinge stands askew, how the widths step, which re-cut
// puts the pair right with the least belt, and what the belt that is lost does
// to the take-up.
//
// Frames and signs are package geometry's for each end by itself: stand beyond
// its cut and look up its belt. With the carrying side up, a left side that
// sticks out at one end then fits a left side that sticks out at the other, so
// offsets of the same sign leave the belt straight. Left and right of the joint
// are those of the leading end, which are also those of someone who looks along
// the belt's travel. Lengths mm, angles radians inside and degrees in fields
// that say so.
package joint
