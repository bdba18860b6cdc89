# A chart that ends below what the UPS carries.

site "barn" {
}

ups "rack" {
  rated_watts = 2700
  battery {
    chemistry = "vrla"
    installed = "2025-03-01"
    chart = { "100" = "60m", "200" = "25m" } # WARNING: Chart ends below the load
  }
  hid {
    serial = "1"
  }
  output {
    cut_after    = "2m"
    return_after = "30s"
  }
}

host "gate" {
  self     = true
  priority = 100
  fed_by   = ["rack"]
  watts    = 210
  stops_in = "30s"
  local {
    command = ["systemctl", "poweroff"]
  }
}
