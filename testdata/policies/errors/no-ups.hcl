# A site without a UPS.

site "barn" { # ERROR: No UPS
}
