# A password that all on the way could read; the name is none of this machine's.
site "barn" {
  page {
    listen   = "127.page.example:8443" # ERROR: Page open to all
    password = secret("page-password")
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
