//go:build !linux

package main

var powerFails []stop
