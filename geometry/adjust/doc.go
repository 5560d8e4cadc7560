// Package adjust is the weighted non-linear least-squares adjustment on which every measurement stands.
//
// A Problem has named parameter blocks and residual blocks. A residual is whitened where it is added: it is
// divided by the standard deviation of its observation, so that its expected size is 1 and it has no unit.
// Solve minimises
//
//	1/2 * sum_i rho_i(|r_i|^2)
//
// by the Levenberg-Marquardt method in a trust region (J. J. Moré, The Levenberg-Marquardt algorithm:
// implementation and theory, Lecture Notes in Mathematics 630, 1978, doi 10.1007/BFb0067700) with robust
// weights w_i = rho_i'(|r_i|^2) renewed in each iteration. All weights are 1 without a loss.
//
// The covariance of the parameters is (J'WJ)^-1 with J the Jacobian of the whitened residuals at the solution and
// W the final weights. It is not scaled: whoever distrusts the stated standard deviations multiplies it by
// Solution.VarianceFactor. It supposes independent observations.
//
// Blocks, residuals and results are plain float64 in whatever unit the caller has chosen; columns are scaled inside,
// so units may differ between parameters. Nothing is random and nothing is shared: a second run gives the same bits.
package adjust
