# TLS alone does not say who asks.
site "barn" {
  page {
    listen = "[2001:db8::5]:8443" # ERROR: Page open to all
    tls {
      chain = secret("page-chain")
      key   = secret("page-key")
    }
  }
}

ups "rack" {
  rated_watts = 1000
  battery {
    chemistry = "vrla"
    volts     = 24
    amp_hours = 9
    installed = "2025-01-01"
  }
  hid { serial = "A1" }
}

host "box" {
  self     = true
  priority = 1
  fed_by   = ["rack"]
  watts    = 10
  stops_in = "1m"
  gives_up = "2m"
  local { command = ["systemctl", "poweroff"] }
}
