// Package rehearsal takes a plan through a simulated population, and each defect
// alone through the plan, and says what is caught, missed and wrongly rejected.
package rehearsal
