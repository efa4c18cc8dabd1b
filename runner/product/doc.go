// Package product loads how a product is tested: product.toml, plan, limits and
// causes, from a folder or built in.
package product
