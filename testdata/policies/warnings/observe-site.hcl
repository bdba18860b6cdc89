# A site that is only watched: said once, and all hosts with it.

site "barn" {
  observe = true # WARNING: No orders are given
}

ups "rack" {
  rated_watts = 2700
  battery {
    chemistry = "vrla"
    volts     = 72
    amp_hours = 9
    installed = "2025-03-01"
  }
  hid {
    serial = "1"
  }
  output {
    cut_after    = "2m"
    return_after = "1m"
  }
}

host "board" {
  self     = true
  priority = 100
  fed_by   = ["rack"]
  stops_in = "30s"
  watts    = 6
  local { command = ["systemctl", "poweroff"] }
}

host "router" {
  stays_up = true
  fed_by   = ["rack"]
  watts    = 10
}
