// Shows times in the device's time zone; the server sends them in UTC.

/** @param {number} number */
const two = (number) => String(number).padStart(2, "0");

for (const moment of document.querySelectorAll("time")) {
  const at = new Date(moment.dateTime);
  if (Number.isNaN(at.getTime())) continue;
  const day = [at.getFullYear(), two(at.getMonth() + 1), two(at.getDate())].join("-");
  moment.title = moment.textContent ?? "";
  moment.textContent = `${day} ${two(at.getHours())}:${two(at.getMinutes())}`;
}
