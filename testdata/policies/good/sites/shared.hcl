# No site is named here, so every site of the folder has this.

group "own" {
  self     = true
  priority = 100
  watts    = var.board-watts
  stops_in = "30s"
  local {
    command = ["systemctl", "poweroff"]
  }
}

variable "board-watts" {
  value = 6
}
